"""The control socket: how the host's clock has this bench run. One JSON object a line, one answer each.

    {"op": "now"}                                            time
    {"op": "run", "sent": S, "received": R, "until_ns": T}   run until more than R bytes are out, T at the latest
    {"op": "sleep", "sent": S, "duration_ns": D}             run for D
    {"op": "opened"}                                         the host opened the serial port: counts begin at zero
    {"op": "unplug", "power": false}                         pull the cable; with "power": false the board goes dark
    {"op": "reset"}                                          press the reset button
    {"op": "leave"}                                          the host closes this connection on purpose
    {"op": "end"}                                            end the bench

Every answer has `time_ns`, and `out`: bytes that the board has put out in all; a run also says its `reason`. A
`number` in the question comes back in its answer, so that a host that was interrupted between the two finds its place.
While the bench is at work for somebody, every host that is connected gets `{"working": true}` every SIGN_S, so that a
process that was stopped, or starves, is known from one that works.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from threading import Event, Lock, Thread
from typing import Any

from rigs_demo.clock import Bench
from rigs_demo.clock_wall import pause_us, wall_ns

ARRIVAL_NS = 5_000_000_000
"""Wall time within which bytes that the host says it sent must be there (arbitrary, generous)."""
SIGN_S = 0.5
"""Wall time from one sign of life to the next (arbitrary, a tenth of what the host waits for)."""


class Ended(Exception):
    """Somebody asked the bench to end."""


class Control:
    """Listener and connections of the control socket."""

    def __init__(self, bench: Bench[Any]) -> None:
        self._bench = bench
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self._unread: dict[socket.socket, bytes] = {}
        self.had_host = False
        self.left = False
        self._sending = Lock()
        self._working = False
        self._closed = Event()
        Thread(target=self._live, daemon=True).start()

    def sockets(self) -> list[socket.socket]:
        """What to wait for."""
        return [self._listener, *self._unread]

    @property
    def connections(self) -> int:
        """Hosts that are connected."""
        return len(self._unread)

    def serve(self, ready: socket.socket) -> None:
        """Accept, or answer what has come."""
        if ready is self._listener:
            connection, _ = self._listener.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._unread[connection] = b""
            self.had_host, self.left = True, False
            return
        try:
            received = ready.recv(65536)
        except ConnectionError:
            received = b""
        if not received:
            self._leave(ready)
            return
        *lines, rest = (self._unread[ready] + received).split(b"\n")
        self._unread[ready] = rest
        for line in lines:
            with self.at_work():
                reply = self._answer(line)
            try:
                ready.sendall(json.dumps(reply).encode() + b"\n")
            except OSError:
                self._leave(ready)
                return

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """Whatever lasts within this is known as work to every host."""
        self._working = True
        try:
            yield
        finally:
            with self._sending:  # a sign is whole before an answer follows it
                self._working = False

    def _live(self) -> None:
        while not self._closed.wait(SIGN_S):
            with self._sending:
                for host in list(self._unread) if self._working else []:
                    with suppress(OSError):
                        host.send(b'{"working": true}\n', socket.MSG_DONTWAIT)

    def _leave(self, connection: socket.socket) -> None:
        self._unread.pop(connection, None)
        connection.close()

    def close(self) -> None:
        """Close everything."""
        self._closed.set()
        for connection in list(self._unread):
            self._leave(connection)
        self._listener.close()

    def _answer(self, line: bytes) -> dict[str, object]:
        number = None
        try:
            message: dict[str, Any] = json.loads(line)
            number = message.get("number")
            reply = self._do(message)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            words = f"expected one JSON object with a known op, found {line[:80]!r} ({error!r})"
            return {"error": words, "number": number}
        return {**reply, "number": number, "time_ns": self._bench.now_ns, "out": self._bench.board.line.put}

    def _do(self, message: dict[str, Any]) -> dict[str, object]:
        bench, operation = self._bench, message["op"]
        if operation == "run":
            if not self._arrive(message["sent"]):
                return {"error": f"only {bench.board.line.taken} of {message['sent']} bytes arrived"}
            return {"reason": bench.run(int(message["until_ns"]), int(message["received"]))}
        if operation == "sleep":
            self._arrive(message["sent"])
            return {"reason": bench.run(bench.now_ns + int(message["duration_ns"]))}
        if operation == "opened":
            bench.board.line.restart()
        elif operation == "unplug":
            bench.board.line.unplug()
            if message.get("power") is False:
                bench.power_off()
        elif operation == "reset":
            bench.reset_button()
        elif operation == "leave":
            self.left = True
        elif operation == "end":
            raise Ended
        elif operation != "now":
            raise ValueError(operation)
        return {}

    def _arrive(self, sent: int) -> bool:
        board = self._bench.board
        board.take_input()
        if board.line.taken >= sent or not board.line.plugged:
            return True
        deadline_ns = wall_ns() + ARRIVAL_NS
        while board.line.taken < sent:
            pause_us(20)
            board.take_input()
            if wall_ns() > deadline_ns:
                return False
        return True
