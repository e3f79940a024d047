"""A board's console: brought to its raw prompt from any state, it executes sources and tells how each ended.

Files (`files`), running scripts (`run`) and the board as a whole (`board`) stand on it, in this order.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from itertools import count
from typing import Self, TypeVar

from harness.base.clock import Clock
from harness.base.closable import Closable
from harness.base.errors import BenchError, BoardBusy, DeviceError, Interrupted, LinkError, LinkTimeout
from harness.link import snippets
from harness.link.answers import checked, refused
from harness.link.port import Port
from harness.link.protocol import Output, RawPrompt, RawRepl, ReplEvent, Restart, ScriptEnd, State
from harness.link.wire import DamagedFrame

log = logging.getLogger("harness.link")

SAFE_S = 1.0
"""Time to make safe; a board that needs longer is treated as lost (the rule of the harness for each such step)."""
TICK_S = 1e-6
"""A clock that counts whole nanoseconds stops just short of a deadline that a float cannot hold exactly."""
_QUIET_S = 0.1
"""A board that has said nothing for so long has answered (arbitrary; USB answers within some milliseconds)."""
_START_S = 2.0
"""Wait for the prompt of a board that opening the port has just started (arbitrary)."""
_ATTEMPT_S = 0.5
"""Wait for the raw prompt before interrupting again (arbitrary)."""

ATTEMPTS = 3
"""How often a source is sent that does not arrive as it is (arbitrary: a line that damages more is none)."""

T = TypeVar("T")


class Console(Closable):
    """One board's console. Open it with `open`; a context manager that leaves the board at its friendly prompt.

    `make_safe_source` is the first thing executed after any interrupt: all phase pins off.
    """

    def __init__(self, port: Port, make_safe_source: str = "") -> None:
        self.port = port
        self.clock: Clock = port.clock
        self.make_safe_source = make_safe_source
        self._repl = RawRepl()
        self._abilities: frozenset[str] | None = None
        self.deployed: set[str] = set()

    @classmethod
    def open(
        cls,
        port_url: str,
        clock: Clock,
        *,
        make_safe_source: str = "",
        interrupt: bool = True,
        timeout_s: float = 5.0,
        control_lines: bool = True,
        baudrate: int = 115200,
    ) -> Self:
        """Open the port and bring the board to its raw prompt, whatever it is doing.

        `interrupt=False`: only if it is idle. Raises LinkError, LinkTimeout, BenchBusy.
        """
        board = cls(Port(port_url, clock, baudrate=baudrate, control_lines=control_lines), make_safe_source)
        try:
            if not interrupt:
                board._require_idle()
            board.enter(timeout_s)
            if board.make_safe_source and "nests" in board.abilities:
                board._make_safe()  # the first time nobody knew whether it could check what it was sent
        except BaseException:
            board.port.close()
            raise
        return board

    def close(self) -> None:
        """Leave the board at its friendly prompt and close the port; never raises."""
        with contextlib.suppress(LinkError):
            self._repl.leave()
            self.port.write(self._repl.take())
        self.port.close()

    # --- getting it back ---------------------------------------------------------------------------

    def enter(self, timeout_s: float = 5.0) -> bytes:
        """Bring the board to its raw prompt from any state, then make it safe; what it said. Raises LinkTimeout."""
        deadline_s = self.clock.now_s() + timeout_s
        heard = b""
        while True:
            self._repl.interrupt()
            self.port.write(self._repl.take())
            heard += self._quiet(min(deadline_s, self.clock.now_s() + _ATTEMPT_S))
            self._repl.enter()
            self.port.write(self._repl.take())
            attempt_s = min(deadline_s, self.clock.now_s() + _ATTEMPT_S)
            while self.clock.now_s() < attempt_s and (data := self.port.read(attempt_s)):
                heard += data
                entered = any(isinstance(happening, RawPrompt) for happening in self._repl.receive(data))
                self.flush()
                if entered:
                    self._make_safe()
                    return heard
            if self.clock.now_s() >= deadline_s - TICK_S:
                raise LinkTimeout(
                    f"{self.port.url}: no raw prompt within {timeout_s:g} s of interrupting; "
                    f"{_heard(heard)}; check that this port is a MicroPython board, or reset it",
                    heard,
                )

    def _make_safe(self) -> None:
        def made_safe() -> None:
            self.start(self.with_checksum(self.make_safe_source), framed=False)
            self._until(ScriptEnd, SAFE_S, "making safe", recover=False)

        if self.make_safe_source:
            self.until_taken(made_safe)

    def interrupt(self, timeout_s: float = 5.0) -> None:
        """Stop what runs, and make the board safe."""
        self.enter(timeout_s)

    def soft_reset(self, timeout_s: float = 5.0) -> None:
        """Restart the interpreter: globals, timers and modules are gone; main.py is not run. Raises LinkError."""
        self._must_be_ready()
        self.deployed.clear()
        self._repl.soft_reset()
        self.flush()
        heard = self._until(Restart, timeout_s, "soft reset")
        log.debug("soft reset: %r", heard)

    def execute(self, source: str, timeout_s: float = 5.0) -> str:
        """Run `source` to its end and return what it printed.

        Raises DeviceError (it raised), LinkTimeout (interrupted and made safe first), LinkError.
        """
        self.start(source, framed=False)
        return text_of(self._until(ScriptEnd, timeout_s, "script"))

    def execute_checked(self, source: str, timeout_s: float = 5.0) -> str:
        """The same of a source that the board runs only where it arrives as it is; sent again where it did not.

        A board whose stack does not bear that runs it unchecked, as one whose abilities nobody has asked yet.
        """
        return self.until_taken(lambda: self.execute(self.with_checksum(source), timeout_s))

    def with_checksum(self, source: str) -> str:
        """A source with its checksum, where this board is known to have the stack for that."""
        return checked(source) if self._abilities is not None and "nests" in self._abilities else source

    @staticmethod
    def until_taken(send: Callable[[], T]) -> T:
        """What `send` gives, which is called again where the board has refused what came."""
        for _ in range(ATTEMPTS - 1):
            try:
                return send()
            except DeviceError as error:
                if not refused(error):
                    raise
        return send()

    @property
    def abilities(self) -> frozenset[str]:
        """What this board's MicroPython has, of the names in `snippets.ABILITIES`; until it says the same twice."""
        if self._abilities is None:
            said = [self.execute(snippets.ABILITIES).split()]
            while said[-1] not in said[:-1]:  # a checksum is more than a small heap has room for here
                if len(said) > ATTEMPTS:
                    raise LinkError(f"{self.port.url}: expected the same abilities twice, found {said}")
                said.append(self.execute(snippets.ABILITIES).split())
            self._abilities = frozenset(said[-1])
        return self._abilities

    # --- the conversation, for what stands on it ---------------------------------------------------

    def start(self, source: str, *, framed: bool) -> None:
        self._must_be_ready()
        try:
            self._repl.execute(source, framed=framed)
        except ValueError as error:
            raise LinkError(f"{self.port.url}: cannot send this script: {error}") from error
        self.flush()

    def _must_be_ready(self) -> None:
        if self._repl.state is not State.READY:
            raise LinkError(
                f"{self.port.url}: board is not at its prompt ({self._repl.state.name.lower()}); "
                "a script still runs, or the link was lost: interrupt first"
            )

    def flush(self) -> None:
        """Write what the conversation wants written."""
        if data := self._repl.take():
            self.port.write(data)

    def hear(self, deadline_s: float) -> list[ReplEvent] | None:
        """What happened next; None when nothing came until the deadline. Writes what that asks for."""
        data = self.port.read(deadline_s)
        if not data:
            return None
        happenings = self._repl.receive(data)
        self.flush()
        return happenings

    def _until(
        self, wanted: type[ScriptEnd] | type[Restart], timeout_s: float, what: str, *, recover: bool = True
    ) -> bytes:
        deadline_s = self.clock.now_s() + timeout_s
        printed = b""
        for turn in count():
            happenings = self.hear(deadline_s)
            if happenings is None or self.overdue(deadline_s, turn):
                said = self.recover() if recover else b""
                raise LinkTimeout(
                    f"{self.port.url}: {what} not over within {timeout_s:g} s; {_heard(printed)}", printed + said
                )
            for happening in happenings:
                match happening:
                    case Output(data):
                        printed += data
                    case ScriptEnd(traceback) if wanted is ScriptEnd:
                        if raised := self.failure(traceback):
                            raise raised
                        return printed
                    case Restart(data):
                        if wanted is Restart and self._repl.state is State.READY:
                            return data
                        error = self.restart(printed + data)
                        if recover:
                            self.recover()
                        raise error
                    case _:
                        pass
        raise AssertionError("count() has no end")

    def overdue(self, deadline_s: float, turn: int) -> bool:
        """Whether a board that never falls silent has passed its deadline.

        Looked at every 64th turn only: asking a bench that owns the time costs as much as a command.
        """
        return turn % 64 == 63 and self.clock.now_s() >= deadline_s - TICK_S

    def failure(self, traceback: bytes) -> DeviceError | None:
        """The error that a script ended by, if it raised."""
        if not traceback:
            return None
        text = text_of(traceback)
        return DeviceError(f"{self.port.url}: code on the board raised {text.strip().rsplit(chr(10), 1)[-1]}", text)

    def restart(self, data: bytes) -> LinkError:
        """The error that the board has reset itself; what it had is gone."""
        self.deployed.clear()
        return LinkError(f"{self.port.url}: the board has reset itself while a script ran; {_heard(data)}", data)

    def damage(self, damage: DamagedFrame, expected: int) -> LinkError:
        """The error that a frame failed its checks."""
        return LinkError(
            f"{self.port.url}: frame {expected}: damaged, {damage.what}; {_heard(damage.data)}", damage.data
        )

    def recover(self) -> bytes:
        """Back to the prompt and safe, if it can be had soon; the error on its way says what went wrong first.

        Returns what the board said to its interruption, nothing where it did not answer. What follows is making safe:
        a silent board must not keep the supply on for longer than its own step.
        """
        try:
            return self.enter(SAFE_S)
        except Interrupted:
            raise
        except BenchError:
            return b""

    def _quiet(self, deadline_s: float) -> bytes:
        heard = b""
        while self.clock.now_s() < deadline_s:
            data = self.port.read(min(deadline_s, self.clock.now_s() + _QUIET_S))
            heard += data
            if not data or heard.endswith(b">>> ") or heard.endswith(b"\x04>"):
                break
        return heard

    def _require_idle(self) -> None:
        """Leave a running program alone: only a board at a prompt answers this."""
        self._repl.leave()
        self.port.write(self._repl.take())
        deadline_s = self.clock.now_s() + _START_S
        heard = b""
        while not heard.endswith(b">>> ") and self.clock.now_s() < deadline_s:
            heard += self._quiet(min(deadline_s, self.clock.now_s() + _ATTEMPT_S))
        if not heard.endswith(b">>> "):
            raise BoardBusy(
                f"{self.port.url}: expected a board at its prompt, found it busy; {_heard(heard)}; not interrupted",
                heard,
            )


def text_of(data: bytes) -> str:
    """Printed bytes as text; boards end lines with CR LF, the Unix port with LF."""
    return data.decode("utf-8", "backslashreplace").replace("\r\n", "\n")


def _heard(data: bytes) -> str:
    return f"received {len(data)} bytes, the last {data[-80:]!r}" if data else "received nothing"
