"""What frames mean: rows of a stream with named columns, events, and that none is missing.

The other side is device_scripts/frames.py, which also states the layout on the wire.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import LinkError
from harness.base.words import visible
from harness.link.literals import literal
from harness.link.wire import RawFrame

_TYPES: Mapping[str, str] = {
    "b": "i1",
    "B": "u1",
    "h": "<i2",
    "H": "<u2",
    "i": "<i4",
    "I": "<u4",
    "q": "<i8",
    "Q": "<u8",
    "f": "<f4",
    "d": "<f8",
}
LAYOUT = 1
"""Version of the frame layout, sent in the first frame of a run."""
ROWS = 0x80
"""Kind of the rows of the first stream; the second's is one more, and so on."""


@dataclass(frozen=True, slots=True)
class StreamColumn:
    """A column as the board names it: `code` is the struct code of its raw value."""

    name: str
    unit: str
    code: str


@dataclass(frozen=True, slots=True)
class StreamRows:
    """Consecutive rows of one stream."""

    stream: str
    columns: tuple[StreamColumn, ...]
    data: NDArray[np.void]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened once on the board."""

    name: str
    value: object

    def whole(self) -> int:
        """Its value as a whole number. Raises LinkError where it is none."""
        try:
            return int(str(self.value))
        except ValueError as error:
            words = f"event {visible(self.name)}: expected a whole number, found {visible(repr(self.value))[:40]}"
            raise LinkError(words) from error


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """The board has taken this many bytes of what was sent to it."""

    count: int


@dataclass(frozen=True, slots=True)
class FilePiece:
    """A piece of a file of the board."""

    data: bytes


class FrameReader:
    """Turns frames into rows and events; raises LinkError naming the frame if one is missing or makes no sense."""

    def __init__(self) -> None:
        self.expected = 0
        self.begun = False
        self.finished = False
        self._streams: list[tuple[str, tuple[StreamColumn, ...], np.dtype[np.void]]] = []

    def read(self, frame: RawFrame) -> StreamRows | Event | Acknowledgement | FilePiece | None:
        """What a frame says; None for those that only keep order."""
        if frame.sequence != self.expected & 0xFFFF:
            missing = (frame.sequence - self.expected) & 0xFFFF
            raise LinkError(
                f"frame {self.expected}: lost ({missing} missing), frame {frame.sequence} came instead", frame.payload
            )
        number = self.expected
        self.expected += 1
        try:
            return self._meaning(frame.kind, frame.payload)
        except (ValueError, LookupError, SyntaxError, struct.error, TypeError) as error:
            raise LinkError(f"frame {number}: kind {frame.kind:#04x} makes no sense: {error}", frame.payload) from error

    def incomplete(self) -> LinkError | None:
        """The script has ended without raising: what is missing, if anything is."""
        if not self.begun:
            return LinkError("frame 0: lost, the script has ended without its first frame")
        if not self.finished:
            return LinkError(f"frame {self.expected}: lost, the script has ended without its last frame")
        return None

    def _meaning(self, kind: int, payload: bytes) -> StreamRows | Event | Acknowledgement | FilePiece | None:
        if kind >= ROWS:
            name, columns, dtype = self._streams[kind - ROWS]
            return StreamRows(name, columns, np.frombuffer(payload, dtype))
        match chr(kind):
            case "E":
                name, _, value = payload.decode().partition("\n")
                return Event(name, literal(value))
            case "A":
                return Acknowledgement(int.from_bytes(payload, "little"))
            case "F":
                return FilePiece(payload)
            case "H":
                self._streams.append(self._stream(payload))
            case "B":
                if payload[0] != LAYOUT:
                    raise ValueError(f"frame layout {payload[0]}, expected {LAYOUT}: deploy frames.py again")
                self.begun = True
            case "Z":
                if int.from_bytes(payload, "little") != self.expected - 1 & 0xFFFF:
                    raise ValueError(f"board counted {int.from_bytes(payload, 'little')} frames")
                self.finished = True
            case _:
                raise ValueError("unknown kind")
        return None

    @staticmethod
    def _stream(payload: bytes) -> tuple[str, tuple[StreamColumn, ...], np.dtype[np.void]]:
        name, *lines = payload.decode().split("\n")
        columns = tuple(StreamColumn(*line.split(" ")) for line in lines)
        dtype = np.dtype([(column.name, _TYPES[column.code]) for column in columns])
        return name, columns, dtype
