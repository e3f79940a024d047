"""The board's side of the raw REPL as bytes in, bytes out: a script of answers instead of an interpreter.

Written from MicroPython's reference/repl, sharing no code with harness/link. It checks the host as well:
more unacknowledged bytes in a paste than its window allows is an error.
"""

from __future__ import annotations

import ast
import struct
from binascii import crc32
from collections.abc import Mapping
from dataclasses import dataclass, field

BINARY, HEX = b"\x1e", b"\x1f"
"""What a frame begins with, as bytes or as hex digits."""
BANNER = b"raw REPL; CTRL-B to exit\r\n>"


@dataclass(slots=True, kw_only=True)
class ScriptedBoard:
    """Answers each known source with (output, traceback); `print('...')` prints; `_src` is put together."""

    answers: Mapping[str, tuple[bytes, bytes]] = field(default_factory=dict)
    paste: bool = True
    window: int = 128
    newline: bytes = b"\r\n"
    noise: bytes = b""
    ran: list[str] = field(default_factory=list)
    overrun: bool = False
    longest: int = 0
    _parts: list[str] = field(default_factory=list)
    _mode: str = "friendly"
    _typed: bytearray = field(default_factory=bytearray)
    _credit: int = 0

    def hear(self, data: bytes) -> bytes:
        """Take bytes from the host; return what goes back."""
        return b"".join(self._byte(byte) for byte in data)

    def _byte(self, byte: int) -> bytes:
        match self._mode, byte:
            case "friendly", 0x01:
                self._mode = "raw"
                self._typed.clear()
                return self.noise + BANNER
            case "friendly", 0x03 | 0x0D:
                return b"\r\n>>> "
            case "friendly", _:
                return b""
            case "raw", 0x01 if bytes(self._typed) == b"\x05A":
                self._typed.clear()
                if not self.paste:
                    return BANNER
                self._mode = "paste"
                self._credit = 2 * self.window
                return b"R\x01" + self.window.to_bytes(2, "little") + b"\x01"
            case "raw", 0x01:
                self._typed.clear()
                return BANNER
            case "raw", 0x02:
                self._mode = "friendly"
                return b"\r\n>>> "
            case "raw", 0x03:
                self._typed.clear()
                return b""
            case "raw", 0x04:
                return b"OK" + (self._run() if self._typed else b"\r\nMPY: soft reboot\r\n" + BANNER)
            case "raw", _:
                self._typed.append(byte)
                return b""
            case "paste", 0x03:
                self._mode = "raw"
                self._typed.clear()
                return b"\x04\x04KeyboardInterrupt: \r\n\x04>"
            case "paste", 0x04:
                self._mode = "raw"
                return b"\x04" + self._run()
            case _:
                self._typed.append(byte)
                self._credit -= 1
                self.overrun = self.overrun or self._credit < 0
                if len(self._typed) % self.window == 0:
                    self._credit += self.window
                    return b"\x01"
                return b""

    def _run(self) -> bytes:
        source = self._typed.decode().lstrip("\r")
        self.longest = max(self.longest, len(self._typed))
        self._typed.clear()
        self.ran.append(source)
        if source.startswith("print('") and source.endswith("')"):
            return source[7:-2].encode() + self.newline + b"\x04\x04>"
        if source.startswith("_src=_src*"):
            assert source.startswith(f"_src=_src*(len(_src)=={len(''.join(self._parts))})or")
            return b"\x04\x04>"
        if source.startswith("_src="):
            self._parts = [ast.literal_eval(source[5:])]
            return b"\x04\x04>"
        if source.startswith("_src+="):
            self._parts.append(ast.literal_eval(source[6:]))
            return b"\x04\x04>"
        output, traceback = self.answers["".join(self._parts) if source.endswith(";exec(_src)") else source]
        return output + b"\x04" + traceback + b"\x04>"


def pack(kind: int, sequence: int, payload: bytes) -> bytes:
    """A frame as the board sends it; the layout stands in device_scripts/frames.py."""
    head = BINARY + struct.pack("<BHH", kind, sequence, len(payload))
    head += struct.pack("<H", crc32(head) & 0xFFFF)
    return head + payload + struct.pack("<I", crc32(payload, crc32(head)))


def pack_hex(kind: int, sequence: int, payload: bytes) -> bytes:
    """The same frame as a board without a binary output sends it."""
    return HEX + pack(kind, sequence, payload).hex().encode()
