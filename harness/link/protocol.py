"""MicroPython's raw REPL as a state machine: bytes in, bytes out, no I/O, no clock.

Source: MicroPython's documentation, reference/repl ("raw REPL" and "raw-paste mode"). The owner feeds
what was received to `receive`, writes what `take` returns, and decides how long to wait.

Output is not escaped on this link, so a byte 04 inside a frame of samples would look like the end of
the script. A framed script's output is therefore read frame by frame before 04 is looked for.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto

from harness.link.wire import DamagedFrame, RawFrame, Splitter

INTERRUPT = b"\x03"
END = b"\x04"
RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
BOOT_MARKS = (b"soft reboot\r\n", b'Type "help()" for more information.')
RESTART_MARKS = (RAW_BANNER, *BOOT_MARKS)
"""None of these comes from a script in its right mind; each means that the board has started anew."""

SHORT = 240
"""Sources up to this many bytes go in one write where raw-paste is offered: the input buffers of all ports
that offer it hold them (the smallest known is 256 bytes), and a round trip is saved."""
PIECE = 60
"""Bytes at a time into a board without flow control: old firmware holds 64, loses the next without a word, and
says when it has taken a piece only by its prompt. A longer source is put together on the board."""
CREDIT = 250
"""Most bytes on their way to a running script: the smallest input buffer of today's ports holds 256."""

_NOT_IN_SOURCE = frozenset(b"\x01\x02\x03\x04\x05")


class State(Enum):
    """Where the conversation stands."""

    LOST = auto()
    ENTERING = auto()
    SYNCING = auto()
    READY = auto()
    ASKED = auto()
    PASTING = auto()
    COMPILING = auto()
    TYPING = auto()
    OUTPUT = auto()
    TRACEBACK = auto()
    PROMPT = auto()
    RESTARTING = auto()


@dataclass(frozen=True, slots=True)
class RawPrompt:
    """The board is at the raw prompt."""


@dataclass(frozen=True, slots=True)
class Output:
    """What the script printed, as bytes."""

    data: bytes


@dataclass(frozen=True, slots=True)
class ScriptEnd:
    """The script has ended; `traceback` is empty if it did not raise."""

    traceback: bytes


@dataclass(frozen=True, slots=True)
class Restart:
    """The board has reset itself; what it says then is in `data`."""

    data: bytes


ReplEvent = RawPrompt | Output | RawFrame | DamagedFrame | ScriptEnd | Restart


class RawRepl:
    """One conversation with a board's raw REPL."""

    def __init__(self) -> None:
        self.state = State.LOST
        self.offers_paste: bool | None = None
        self._in = bytearray()
        self._out = bytearray()
        self._source = b""
        self._sent = 0
        self._credit = 0
        self._window = 0
        self._pieces: deque[bytes] = deque()
        self._framed = False
        self._splitter: Splitter | None = None
        self._tail = b""
        self._traceback = b""
        self._happenings: list[ReplEvent] = []
        self._entered = 0

    # --- what the owner asks for -------------------------------------------------------------------

    def take(self) -> bytes:
        """What is to be written now."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def interrupt(self) -> None:
        """Stop whatever runs, in whatever mode; then `enter`, once the reply has come."""
        self.state = State.LOST
        self._out[:] = b"\r" + INTERRUPT

    def enter(self) -> None:
        """Ask for the raw prompt. Not before the answer to `interrupt` (MicroPython 1.17 and 1.18 go deaf)."""
        self._in.clear()
        self.offers_paste = None  # what was misheard, perhaps
        self.state = State.ENTERING
        self._out += b"\r\x01"

    def leave(self) -> None:
        """Back to the friendly prompt."""
        self.state = State.LOST
        self._out += b"\r\x02"

    def soft_reset(self) -> None:
        """Reset the interpreter from the raw prompt; main.py is not run."""
        self._must_be(State.READY)
        self._in.clear()
        self.state = State.RESTARTING
        self._out += END

    def execute(self, source: str, *, framed: bool = False) -> None:
        """Start a script. `framed`: its output holds frames.

        Raises ValueError if the source holds control characters that the link cannot carry.
        """
        self._must_be(State.READY)
        data = source.replace("\r\n", "\n").encode()
        if not _NOT_IN_SOURCE.isdisjoint(data):
            raise ValueError("source holds a control character 01 to 05: write it as an escape")
        self._in.clear()
        self._tail = b""
        self._sent = 0
        self._framed = framed
        self._source = data
        if self.offers_paste is False or (self.offers_paste and len(data) <= SHORT):
            self._type()
        else:
            self.state = State.ASKED
            self._out += b"\x05A\x01"

    # --- what the board says -----------------------------------------------------------------------

    def receive(self, data: bytes) -> list[ReplEvent]:
        """Take what has come, in pieces of any size; return what it means, in order."""
        self._in += data
        self._happenings = []
        while self._in and self._STEPS[self.state](self):
            pass
        return self._happenings

    def _must_be(self, state: State) -> None:
        if self.state is not state:
            raise ValueError(f"the board must be {state.name.lower()}, and is {self.state.name.lower()}")

    def _drop(self) -> bool:
        """Noise: nobody asked."""
        self._in.clear()
        return False

    def _entering(self) -> bool:
        """At the banner, have the board say something that nothing left over from before can be."""
        at = self._in.find(RAW_BANNER)
        if at < 0:
            del self._in[: -len(RAW_BANNER)]
            return False
        del self._in[: at + len(RAW_BANNER)]
        self._entered += 1
        self._out += b"print('entry %d')" % self._entered + END
        self.state = State.SYNCING
        return True

    def _syncing(self) -> bool:
        answer = re.search(rb"entry %d\r?\n\x04\x04>" % self._entered, self._in)
        if not answer:
            return False
        del self._in[: answer.end()]
        self.state = State.READY
        self._happenings.append(RawPrompt())
        return True

    def _restarting(self) -> bool:
        at = self._in.find(RAW_BANNER)
        if at < 0:
            return False
        text = bytes(self._in[:at])
        del self._in[: at + len(RAW_BANNER)]
        self.state = State.READY
        self._happenings.append(Restart(text))
        return True

    def _asked(self) -> bool:
        """Reply to the question for raw-paste: R 01 and the window, R 00, or the banner of old firmware."""
        accepted, refused, banner = (self._in.find(mark) for mark in (b"R\x01", b"R\x00", RAW_BANNER))
        if accepted >= 0:
            if len(self._in) < accepted + 4:
                return False
            self.offers_paste = True
            self._window = int.from_bytes(self._in[accepted + 2 : accepted + 4], "little")
            self._credit = self._window
            self._pieces.clear()
            self._splitter = Splitter() if self._framed else None
            del self._in[: accepted + 4]
            self.state = State.PASTING
            self._paste()
            return True
        if refused >= 0:
            self.offers_paste = False
            del self._in[: refused + 2]
        elif banner >= 0:
            self.offers_paste = False
            del self._in[: banner + len(RAW_BANNER)]
        else:
            return False
        self._type()
        return True

    def _type(self) -> None:
        """Without raw-paste: the source as it is, or piece by piece into a text that is then executed."""
        whole = len(self._source) <= (SHORT if self.offers_paste else PIECE)
        self._pieces = deque([self._source] if whole else _in_pieces(self._source))
        self._type_next()

    def _type_next(self) -> None:
        self._out += self._pieces.popleft() + END
        self._splitter = Splitter() if self._framed and not self._pieces else None
        self.state = State.TYPING

    def _paste(self) -> None:
        piece = self._source[self._sent : self._sent + self._credit]
        self._sent += len(piece)
        self._credit -= len(piece)
        self._out += piece
        if self._sent == len(self._source):
            self._out += END
            self.state = State.COMPILING

    def _pasting(self) -> bool:
        byte = self._in.pop(0)
        if byte == 0x01:
            self._credit += self._window
            self._paste()
        elif byte == 0x04:  # the board has seen enough, mostly a syntax error: it waits for our 04
            self._out += END
            self.state = State.OUTPUT
        return True

    def _compiling(self) -> bool:
        if self._in.pop(0) == 0x04:
            self.state = State.OUTPUT
        return True

    def _typing(self) -> bool:
        at = self._in.find(b"OK")
        if at < 0:
            if any(mark in self._in for mark in BOOT_MARKS):
                return self._restart()
            del self._in[:-64]
            return False
        del self._in[: at + 2]
        self.state = State.OUTPUT
        return True

    def _output(self) -> bool:
        if self._splitter is not None:
            return self._framed_output(self._splitter)
        at = self._in.find(END)
        text = bytes(self._in if at < 0 else self._in[:at])
        if self._text(text):
            return self._restart()
        if at < 0:
            self._in.clear()
            return False
        del self._in[: at + 1]
        self.state = State.TRACEBACK
        return True

    def _framed_output(self, splitter: Splitter) -> bool:
        for piece in splitter.split(self._in):
            if isinstance(piece, bytes):
                if self._text(piece):
                    self._in[:0] = piece
                    return self._restart()
            else:
                self._happenings.append(piece)
                if isinstance(piece, DamagedFrame):
                    self.state = State.LOST
                    return False
        if splitter.ended:
            self.state = State.TRACEBACK
            return True
        if self._in.endswith((RAW_BANNER, b">>> ")) and self._restart_seen(bytes(self._in)):
            return self._restart()  # a frame cut short by a reset
        return False

    def _text(self, text: bytes) -> bool:
        """Hand on printed text; True if it tells of a restart."""
        if not text:
            return False
        seen = self._restart_seen(self._tail + text)
        self._tail = (self._tail + text)[-64:]
        if not seen:
            self._happenings.append(Output(text))
        return seen

    def _traceback_text(self) -> bool:
        at = self._in.find(END)
        if at < 0:
            return self._restart() if self._restart_seen(bytes(self._in)) else False
        self._traceback = bytes(self._in[:at])
        del self._in[: at + 1]
        self.state = State.PROMPT
        return True

    def _prompt(self) -> bool:
        if self._in[:1] == b">":
            del self._in[:1]
            if self._pieces and not self._traceback:
                self._type_next()
            else:
                self.state = State.READY
                self._happenings.append(ScriptEnd(self._traceback))
            return True
        return self._restart()  # SystemExit: the board resets instead of prompting

    @staticmethod
    def _restart_seen(text: bytes) -> bool:
        return any(mark in text for mark in RESTART_MARKS)

    def _restart(self) -> bool:
        """The board has reset in the middle; where it stands now only `enter` can tell."""
        self._happenings.append(Restart(bytes(self._in)))
        self._in.clear()
        self.state = State.LOST
        return False

    _STEPS = {  # noqa: RUF012
        State.LOST: _drop,
        State.READY: _drop,
        State.ENTERING: _entering,
        State.SYNCING: _syncing,
        State.RESTARTING: _restarting,
        State.ASKED: _asked,
        State.PASTING: _pasting,
        State.COMPILING: _compiling,
        State.TYPING: _typing,
        State.OUTPUT: _output,
        State.TRACEBACK: _traceback_text,
        State.PROMPT: _prompt,
    }


def _in_pieces(source: bytes) -> Iterator[bytes]:
    """Commands of at most PIECE bytes that put a source together on the board and execute it.

    One of another length is not run: what was put together before may stand there still, or a piece was lost.
    """
    whole = text = source.decode()
    yield b"_src=''"
    while text:
        count = PIECE - 8
        while len(addition := f"_src+={text[:count]!r}".encode()) > PIECE:
            count = count * 3 // 4
        yield addition
        text = text[count:]
    yield b"_src=_src*(len(_src)==%d)or'damaged_on_its_way'" % len(whole)
    yield b"import gc;gc.collect();exec(_src)"
