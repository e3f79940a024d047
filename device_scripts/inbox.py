"""Lines from the host to a running script, with credit: what is taken is acknowledged by a frame of kind A."""

import select
import struct
import sys

import frames

TOGETHER = 32  # arbitrary: an eighth of what the host may have on its way


class Inbox:
    """Lines from the host, taken a byte at a time and acknowledged, so that no port's buffer overflows.

    Empty lines, which only say that the host is there, are acknowledged some together.
    """

    def __init__(self, size=128):
        self._read = getattr(sys.stdin, "buffer", sys.stdin).read
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._line = bytearray(size)
        self._at = 0
        self.dropped = 0  # bytes of lines longer than `size`
        self._taken = 0  # bytes not acknowledged yet

    def line(self, wait_ms=0):
        """The next whole line without its newline, or None when none came within `wait_ms`."""
        while self._poll.poll(wait_ms):
            byte = self._read(1)
            if not byte:
                return None
            code = ord(byte)  # bytes on some boards, text on others, and a comparison of the two prints a warning
            if code == 10:
                line = bytes(self._line[: self._at])
                self._taken += self._at + 1 + self.dropped
                self._at = self.dropped = 0
                if line or self._taken >= TOGETHER:
                    frames.send(65, struct.pack("<H", self._taken))
                    self._taken = 0
                return line
            if self._at < len(self._line):
                self._line[self._at] = code
                self._at += 1
            else:
                self.dropped += 1
        return None
