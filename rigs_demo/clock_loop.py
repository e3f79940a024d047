"""The bench's main loop: SCPI before control, time only for who waits; or free run, where time follows the wall."""

from __future__ import annotations

import os
import select
import signal
import socket
from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from rigs_demo.clock import Bench
from rigs_demo.clock_control import Control, Ended
from rigs_demo.clock_wall import wall_ns

AFTER_HOST_NS = 2_000_000_000
"""Simulated time after the host is lost: time for the board's deadman."""
LINGER_NS = 10_000_000_000
"""Wall time that the bench stays for SCPI clients after its host is lost, at most."""
LAST_S = 15
"""Wall time after which the bench is ended even if its board never comes to rest: LINGER_NS and room for the rest."""
GUARD_NS = 5_000_000_000
"""Wall time within which somebody may still come to turn the supply off."""
FREE_RUN_STEP_S = 0.002
"""How often free run looks at the wall (arbitrary)."""
ALONE_S = 60.0
"""Wall time that the bench waits for its first host when whoever started it has died (arbitrary)."""


class Server(Protocol):
    """An instrument's server."""

    @property
    def client_count(self) -> int:
        """Clients that are connected."""
        ...

    def sockets(self) -> list[socket.socket]:
        """What to wait for."""
        ...

    def serve(self, ready: Iterable[object]) -> None:
        """Answer what has come."""
        ...


class ClockLoop:
    """Waits for whoever asks first."""

    def __init__(self, bench: Bench[Any], control: Control, servers: Mapping[str, Server]) -> None:
        self._bench = bench
        self._control = control
        self._servers = list(servers.values())
        self._parent = os.getppid()

    def run(self) -> None:
        """Serve one host from its first connection to the end of its last, then whoever holds an instrument."""
        control, line = self._control, self._bench.board.line
        try:
            while not control.had_host or control.connections:
                wanted = self._wanted()
                output = [line] if line.backlog else []
                ready, writable, _ = select.select([*wanted, *control.sockets()], output, [], ALONE_S)
                if not ready and not control.had_host and os.getppid() != self._parent:
                    return  # whoever started this has died before it came
                if writable:
                    line.flush()
                self._serve_instruments()
                for endpoint in control.sockets():
                    if endpoint in ready:
                        control.serve(endpoint)
        except Ended:
            return
        self._linger()

    def _wanted(self) -> list[socket.socket]:
        return [endpoint for server in self._servers for endpoint in server.sockets()]

    def _serve_instruments(self) -> None:
        # Asked again until nothing is there: a setting sent before a control message is obeyed before it.
        while self._servers:
            wanted = self._wanted()
            ready, _, _ = select.select(wanted, [], [], 0)
            if not ready:
                return
            with self._control.at_work():
                for server in self._servers:
                    server.serve(ready)

    def _linger(self) -> None:
        bench = self._bench
        if hasattr(signal, "alarm"):
            signal.alarm(LAST_S)  # whatever the board is doing
        self._serve_instruments()
        bench.run(bench.now_ns + AFTER_HOST_NS)
        lost_ns = wall_ns()
        while self._servers and wall_ns() - lost_ns < LINGER_NS:
            clients = sum(server.client_count for server in self._servers)
            if not clients and (self._control.left or wall_ns() - lost_ns > GUARD_NS):
                return
            select.select(self._wanted(), [], [], 0.1)
            self._serve_instruments()

    def free_run(self) -> None:
        """Time follows the wall; there is no control connection. Ends only when it is told to."""
        bench, line = self._bench, self._bench.board.line
        began_ns = wall_ns() - bench.now_ns
        while line.plugged:
            bench.board.take_input()
            bench.run(wall_ns() - began_ns)
            line.flush()
            wanted: list[Any] = [*self._wanted(), line]
            select.select(wanted, [], [], FREE_RUN_STEP_S)
            self._serve_instruments()
