"""Time for the whole package: nothing else in `harness` reads a clock or sleeps.

A bench may own the time (the rig file's `[clock] address`): then time stands still while this
process computes, and moves only while it waits. Whoever waits therefore says so here.
"""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from typing import Any, Protocol

from harness.base.errors import BenchError, RigFileError

ANSWER_S = 60.0
"""Longest wall time for the bench's answer to one message (arbitrary; a wait of an hour at rest takes it 0.1 s)."""
SILENT_S = 5.0
"""Wall time after which a bench that says nothing hangs (arbitrary): one that works says so twice a second."""
NANOSECOND = 1_000_000_000


class Wire(Protocol):
    """A serial port to a bench that owns the time: it must know what is on its way, and knows what has come."""

    def note_sent(self, count: int) -> None:
        """Remember that `count` bytes more were written, so that a later wait cannot overtake them."""
        ...

    def run_for_output(self, received: int, deadline_s: float) -> int:
        """Wait for output of the board until `deadline_s` at most.

        Args:
            received: bytes read from the port in all since it was opened.
            deadline_s: latest time, on the scale of the clock.

        Returns:
            bytes that the board has put out in all; `received` itself means that the deadline came first.

        Raises:
            BenchError: the bench does not answer.
        """
        ...


class Clock(Protocol):
    """What a wait needs to know about time, whoever owns it."""

    def now_s(self) -> float:
        """Monotonic time in seconds; the zero is arbitrary."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let `duration_s` pass."""
        ...

    def note_passed(self) -> None:
        """Something else than this clock may have let time pass: an instrument that was given a message."""
        ...

    def wire(self) -> Wire | None:
        """For a serial port that was just opened, the one in use: what the board said before is gone.

        None where bytes and time move together: the operating system knows what has come.
        """
        ...


class WallClock:
    """The time of the machine that this runs on."""

    def now_s(self) -> float:
        """Monotonic time in seconds."""
        return time.monotonic()

    def sleep_s(self, duration_s: float) -> None:
        """Sleep; a negative duration is none."""
        time.sleep(max(0.0, duration_s))

    def note_passed(self) -> None:
        """Nothing to do: this time passes anyway."""

    def wire(self) -> None:
        """None: bytes and time move together here."""


class BenchClock:
    """The time of a bench that owns it, asked over one local connection.

    Every answer tells the time, which then stands still: it is asked for only when something else may have moved it.
    """

    def __init__(self, address: str) -> None:
        """Connect to `address` ("127.0.0.1:port").

        Raises:
            RigFileError: the address is not of that form.
            BenchError: nothing answers there.
        """
        host, colon, port = address.rpartition(":")
        if not colon or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
            raise RigFileError([f"clock.address: expected HOST:PORT, found {address!r}"])
        self._address = address
        with self._translated():
            self._socket = socket.create_connection((host, int(port)), timeout=SILENT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._unread = b""
        self._asked = 0
        self._lost = ""
        """Why it is not asked again: who makes a bench safe has no time to wait for it once more."""
        self._wire: BenchWire | None = None
        self._now_ns: int | None = None

    def close(self) -> None:
        """Leave the bench, which then ends; a host that only vanishes leaves it waiting for a guard."""
        with suppress(BenchError):
            self.ask(op="leave")
        self._socket.close()

    def now_s(self) -> float:
        """Time of the bench in seconds."""
        now_ns = self._now_ns
        return (int(self.ask(op="now")["time_ns"]) if now_ns is None else now_ns) / NANOSECOND

    def sleep_s(self, duration_s: float) -> None:
        """Let the bench run for `duration_s` of its own time, once it has what was sent to it."""
        if duration_s > 0.0:
            sent = 0 if self._wire is None else self._wire.sent
            self.ask(op="sleep", sent=sent, duration_ns=round(duration_s * NANOSECOND))

    def note_passed(self) -> None:
        """The next question for the time goes to the bench."""
        self._now_ns = None

    def wire(self) -> BenchWire:
        """Both counts begin at zero; output that nobody has read is dropped."""
        self._wire = BenchWire(self)
        self.ask(op="opened")
        return self._wire

    def ask(self, **message: object) -> dict[str, Any]:
        """The bench's answer to one message, for its wire, too. Raises BenchError."""
        if self._lost:
            raise BenchError(self._lost)
        self._now_ns = None
        self._asked += 1
        latest_s = time.monotonic() + ANSWER_S
        with self._translated():
            self._socket.sendall(json.dumps({**message, "number": self._asked}).encode() + b"\n")
            # Signs of life come before an answer; and a signal may have struck between an earlier question and its
            # answer, which is then still to come.
            while (reply := self._next_reply()).get("number") != self._asked:
                if time.monotonic() > latest_s:
                    raise TimeoutError(f"still at work after {ANSWER_S:g} s")
        if "error" in reply:
            raise BenchError(f"clock at {self._address}: {reply['error']}")
        self._now_ns = reply.get("time_ns")
        return reply

    def _next_reply(self) -> dict[str, Any]:
        while b"\n" not in self._unread:
            received = self._socket.recv(65536)
            if not received:
                self._lost = f"clock at {self._address}: the bench has ended; start it again"
                raise BenchError(self._lost)
            self._unread += received
        line, self._unread = self._unread.split(b"\n", 1)
        reply = json.loads(line)
        if not isinstance(reply, dict):
            raise BenchError(f"clock at {self._address}: expected a JSON object, found {line[:80]!r}")
        return reply

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as error:
            self._lost = (
                f"clock at {self._address}: no answer from the bench that owns the time ({error}); "
                "it has ended, hangs, or was never there"
            )
            raise BenchError(self._lost) from error


class BenchWire:
    """The serial port to a bench that owns the time, as both sides count its bytes."""

    def __init__(self, clock: BenchClock) -> None:
        self._clock = clock
        self.sent = 0
        """Bytes written in all."""

    def note_sent(self, count: int) -> None:
        """The next wait first lets the bench have these bytes, too."""
        self.sent += count

    def run_for_output(self, received: int, deadline_s: float) -> int:
        """Let the bench run until the board has put out more than `received` bytes, or until the deadline."""
        until_ns = round(deadline_s * NANOSECOND)
        return int(self._clock.ask(op="run", sent=self.sent, received=received, until_ns=until_ns)["out"])


def utc_now() -> datetime:
    """Wall time in UTC, for names of files and for the record; never for a wait."""
    return datetime.now(UTC)
