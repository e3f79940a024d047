"""Lines from the host to a running script, with credit: what is taken is acknowledged by a frame of kind A.

A line that is not empty ends with its number among them, modulo 256, as two hexadecimal digits, and the low half of the
CRC-32 of all before it as four. One that is damaged, lost or repeated on its way ends the script: it raises.
"""

import select
import struct
import sys

import frames

CHECKED = 6  # digits at the end of a line
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
        self._number = 0

    def line(self, wait_ms=0):
        """The next whole line without newline, number and checksum, or None when none came within `wait_ms`.

        Raises ValueError for one that is not the next that the host has sent.
        """
        while self._poll.poll(wait_ms):
            byte = self._read(1)
            if not byte:
                return None
            code = ord(byte)  # bytes on some boards, text on others, and a comparison of the two prints a warning
            if code == 10:
                line = bytes(self._line[: self._at])
                self._taken += self._at + 1 + self.dropped
                dropped = self.dropped
                self._at = self.dropped = 0
                if line:
                    line = self._checked(line, dropped)
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

    def _checked(self, line, dropped):
        end = b"%02x" % self._number
        end += b"%04x" % (frames.crc32(line[:-CHECKED] + end) & 0xFFFF)
        if dropped or line[-CHECKED:] != end:
            raise ValueError("line %d damaged, lost or repeated on its way" % self._number)
        self._number = (self._number + 1) & 0xFF
        return line[:-CHECKED]
