"""A device script at work: frames from it, lines to it, and its end."""

from __future__ import annotations

from binascii import crc32
from collections import deque
from collections.abc import Callable
from itertools import count
from types import TracebackType

from harness.base.errors import LinkError, LinkTimeout
from harness.link.console import SAFE_S, TICK_S, Console, text_of
from harness.link.frames import Acknowledgement, Event, FilePiece, FrameReader, StreamRows
from harness.link.protocol import CREDIT, Output, ReplEvent, Restart, ScriptEnd
from harness.link.wire import DamagedFrame, RawFrame

LONGEST_LINE = 121
"""Bytes: with its number and checksum it fits what a board's `frames.Inbox` keeps."""


class ScriptRun:
    """A running script. A context manager that interrupts a script still running and makes the board safe."""

    def __init__(
        self, console: Console, *, heartbeat_s: float | None = None, before_beat: Callable[[], None] | None = None
    ) -> None:
        self.console = console
        self._before_beat = before_beat
        self._ended = False
        self._failure: LinkError | None = None
        self._heartbeat_s = heartbeat_s
        self._heard_s = console.clock.now_s()
        self._reader = FrameReader()
        self._frames: deque[StreamRows | Event | FilePiece] = deque()
        self._printed = bytearray()
        self._said = b""
        self._in_flight = 0
        self._sent = 0
        self._started = False
        self._beaten_s = self._heard_s

    def __enter__(self) -> ScriptRun:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self.abandon()
        elif not self._ended:
            self.abort()

    @property
    def ended(self) -> bool:
        """Whether the script has ended, in whatever way."""
        return self._ended

    def _end(self) -> None:
        self._ended = True
        self.console.port.unlisten()

    @property
    def printed(self) -> str:
        """What the script has printed so far, without frames."""
        return self.printed_since(0)

    @property
    def printed_bytes(self) -> int:
        """How much that is: to be asked at every frame, without making text of it."""
        return len(self._printed)

    def printed_since(self, begin: int) -> str:
        """What of it came from this byte on."""
        return text_of(bytes(self._printed[begin:]))

    @property
    def last_words(self) -> str:
        """What it has printed, and what the board said when it had to be stopped: frames may be in that."""
        return text_of(bytes(self._printed) + self._said)

    def wait_started(self, timeout_s: float) -> None:
        """Wait for the first frame, which says that the script is compiled and runs."""
        self._until(lambda: self._reader.begun, timeout_s, "its start")

    def send(self, line: bytes, timeout_s: float = 2.0) -> None:
        """Send one line; waits while too much is unacknowledged. Raises LinkTimeout, DeviceError, LinkError.

        `line` has no newline and none of the bytes 01 to 04, and at most LONGEST_LINE bytes.
        """
        if len(line) > LONGEST_LINE or any(byte in line for byte in b"\x01\x02\x03\x04\r\n"):
            raise ValueError(
                f"a line of at most {LONGEST_LINE} bytes without 01 to 04, CR, LF expected, found {line!r}"
            )
        numbered = b"%s%02x" % (line, self._sent & 0xFF)
        data = b"%s%04x\n" % (numbered, crc32(numbered) & 0xFFFF) if line else b"\n"
        if self._in_flight + len(data) > CREDIT:
            self._until(lambda: self._in_flight + len(data) <= CREDIT, timeout_s, "credit to send")
        if self._ended:
            self._raise_failure()
            raise LinkError(f"{self.console.port.url}: the script has ended; {line!r} was not sent")
        self._look()
        self.console.port.write(data)
        self._sent += bool(line)
        self._in_flight += len(data)
        self._beaten_s = self.console.clock.now_s()

    def next_frame(self, timeout_s: float = 5.0) -> StreamRows | Event | None:
        """The next rows or event; None when the script has ended and nothing is left.

        What came before an error is given first. Raises LinkTimeout, DeviceError (the script raised),
        LinkError (a frame lost or damaged, the board reset, the link lost).
        """
        self._until(lambda: bool(self._frames), timeout_s, "a frame")
        while self._frames:
            frame = self._frames.popleft()
            if not isinstance(frame, FilePiece):
                return frame
        return None

    def next_piece(self, timeout_s: float = 5.0) -> bytes | None:
        """The next piece of a file; None at its end."""
        self._until(lambda: bool(self._frames), timeout_s, "a piece of a file")
        while self._frames:
            frame = self._frames.popleft()
            if isinstance(frame, FilePiece):
                return frame.data
        return None

    def finish(self, timeout_s: float = 5.0) -> str:
        """Wait for the script's end and return what it printed; frames not yet taken stay for `next_frame`."""
        self._until(lambda: False, timeout_s, "its end")
        return self.printed

    def abort(self) -> None:
        """Interrupt the script and make the board safe. Raises LinkTimeout soon where the board is silent."""
        self._end()
        self.console.interrupt(SAFE_S)

    def abandon(self) -> None:
        """The same where an error is on its way, which says what went wrong first; raises nothing but a signal."""
        if not self._ended:
            self._end()
            self._said += self.console.recover()

    # ------------------------------------------------------------------------------------------------

    def _until(self, reached: Callable[[], bool], timeout_s: float, what: str) -> None:
        """Listen until `reached`, or the script has ended; raises what it ended by."""
        clock = self.console.clock
        deadline_s = clock.now_s() + timeout_s
        for turn in count():
            if reached():
                return
            if self._ended:
                self._raise_failure()
                return
            happenings = self.console.hear(min(deadline_s, self._next_beat_s()))
            if happenings is None:
                late = clock.now_s() >= deadline_s - TICK_S
            else:
                self._take(happenings)
                late = self.console.overdue(deadline_s, turn)
            if late and not reached() and not self._ended:
                tail = bytes(self._printed[-80:])
                self._fail(
                    LinkTimeout(
                        f"{self.console.port.url}: script did not give {what} within {timeout_s:g} s; "
                        f"{self._reader.expected} frames had come, printed {tail!r}",
                        tail,
                    )
                )
            if self._heartbeat_s is not None:
                self._beat(clock.now_s())

    def _fail(self, error: LinkError) -> None:
        """The script cannot go on: stop it and make the board safe now, tell of it when frames are used up."""
        if not isinstance(error, LinkTimeout):
            self._said += error.received  # what broke a frame may be text that came amid it
        self.abandon()
        self._failure = error

    def _raise_failure(self) -> None:
        if self._failure is not None:
            raise self._failure

    def _next_beat_s(self) -> float:
        return float("inf") if self._heartbeat_s is None else self._beaten_s + self._heartbeat_s

    def _beat(self, now_s: float) -> None:
        if now_s >= self._next_beat_s() - TICK_S and self._in_flight < CREDIT and not self.ended:
            self._look()
            self.console.port.write(b"\n")
            self._in_flight += 1
            self._beaten_s = now_s

    def _look(self) -> None:
        """Before whatever feeds the deadman."""
        if self._before_beat is not None:
            self._before_beat()

    def _take(self, happenings: list[ReplEvent]) -> None:
        for happening in happenings:
            if self._ended:
                return
            match happening:
                case RawFrame():
                    self._frame(happening)
                case Output(data):
                    self._printed += data
                case DamagedFrame():
                    self._fail(self.console.damage(happening, self._reader.expected))
                case Restart(data):
                    self._fail(self.console.restart(data))
                case ScriptEnd(traceback):
                    self._end()
                    self._failure = self.console.failure(traceback) or self._reader.incomplete()
                case _:
                    pass

    def _frame(self, raw: RawFrame) -> None:
        try:
            meaning = self._reader.read(raw)
        except LinkError as error:
            self._fail(LinkError(f"{self.console.port.url}: {error}", error.received))
            return
        if isinstance(meaning, Acknowledgement):
            self._in_flight -= meaning.count
        elif meaning is not None:
            self._frames.append(meaning)
