"""Lines from the host to a running script, with credit: each is acknowledged by a frame of kind A."""

import select
import struct
import sys

import frames


class Inbox:
    """Lines from the host, taken a byte at a time; each is acknowledged, so that no port's buffer overflows."""

    def __init__(self, size=128):
        self._read = getattr(sys.stdin, "buffer", sys.stdin).read
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._line = bytearray(size)
        self._at = 0
        self.dropped = 0  # bytes of lines longer than `size`

    def line(self, wait_ms=0):
        """The next whole line without its newline, or None when none came within `wait_ms`."""
        while self._poll.poll(wait_ms):
            byte = self._read(1)
            if not byte:
                return None
            if byte in (b"\n", "\n"):
                line = bytes(self._line[: self._at])
                frames.send(65, struct.pack("<H", self._at + 1 + self.dropped))
                self._at = self.dropped = 0
                return line
            if self._at < len(self._line):
                self._line[self._at] = ord(byte)
                self._at += 1
            else:
                self.dropped += 1
        return None
