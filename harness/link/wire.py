"""Frames on the wire: how samples and printed text share one stream. The layout stands in device_scripts/frames.py.

Pure: bytes in, pieces out. A frame whose header or body fails its check is `DamagedFrame`, never data.
"""

from __future__ import annotations

import re
import struct
from binascii import crc32, unhexlify
from dataclasses import dataclass

_BINARY, _HEX, _END = 0x1E, 0x1F, 0x04
_MARK = re.compile(rb"[\x04\x1e\x1f]")
_HEADER = struct.Struct("<BBHH")
HEADER_BYTES = 8
CHECK_BYTES = 4


@dataclass(frozen=True, slots=True)
class RawFrame:
    """One frame that passed its checks, not yet understood."""

    kind: int
    sequence: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class DamagedFrame:
    """A frame that did not pass; `what` says in which way, `sequence` what it gave as its number."""

    what: str
    sequence: int | None
    data: bytes


class Splitter:
    """Parts a script's output into text and frames, up to the 04 that ends it."""

    def __init__(self) -> None:
        self.ended = False

    def split(self, buffer: bytearray) -> list[bytes | RawFrame | DamagedFrame]:
        """Take whole pieces off the front of `buffer`; an unfinished frame stays in it."""
        pieces: list[bytes | RawFrame | DamagedFrame] = []
        while buffer and not self.ended:
            mark = _MARK.search(buffer)
            at = mark.start() if mark else len(buffer)
            if at:
                pieces.append(bytes(buffer[:at]))
                del buffer[:at]
            if not mark:
                break
            if buffer[0] == _END:
                del buffer[:1]
                self.ended = True
                break
            frame = self._frame(buffer)
            if frame is None:
                break
            pieces.append(frame)
            if isinstance(frame, DamagedFrame):
                break
        return pieces

    @staticmethod
    def _frame(buffer: bytearray) -> RawFrame | DamagedFrame | None:
        """The frame at the front, or None while it is not all there."""
        is_hex = buffer[0] == _HEX
        offset, scale = (1, 2) if is_hex else (0, 1)

        def piece(begin: int, end: int) -> bytes | None:
            raw = bytes(buffer[offset + begin * scale : offset + end * scale])
            try:
                return unhexlify(raw) if is_hex else raw
            except ValueError:
                return None

        if len(buffer) < offset + HEADER_BYTES * scale:
            return None
        head = piece(0, HEADER_BYTES)
        if head is None or head[0] != _BINARY or struct.unpack_from("<H", head, 6)[0] != crc32(head[:6]) & 0xFFFF:
            return DamagedFrame("its header fails its check", None, bytes(buffer))
        _, kind, sequence, length = _HEADER.unpack_from(head)
        whole = HEADER_BYTES + length + CHECK_BYTES
        if len(buffer) < offset + whole * scale:
            return None
        body = piece(HEADER_BYTES, whole)
        if body is None or struct.unpack_from("<I", body, length)[0] != crc32(body[:length], crc32(head)):
            return DamagedFrame(f"its {length} bytes fail their CRC", sequence, bytes(buffer))
        del buffer[: offset + whole * scale]
        return RawFrame(kind, sequence, body[:length])
