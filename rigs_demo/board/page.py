"""The page of memory that board and bench share. `rigs_demo/shadow/_bench.py` is its other end.

The board writes a request and then its number (SEQ); the bench answers and then repeats the number (REPLY).
Writes that need no answer are posted into a ring with the board's time. Words are 32 bits; times take two, low
word first, and count nanoseconds since the bench began.
"""

from __future__ import annotations

import mmap
import os
import tempfile
from struct import Struct

PAGE_BYTES = 8192 + 1024 * 16
PAYLOAD = 4096
RING = 8192
RING_SLOTS = 1024
SLOT = Struct("<QII")
NEVER_NS = 1 << 60
AHEAD_NS = 1_000_000
"""How far the board may run ahead of the bench on its own."""

# Words.
SEQ, REPLY, OP, ARG, RESULT, FLAGS, HEAD, LENGTH, POKED = 0, 1, 2, 3, 6, 7, 14, 15, 16
CAUSE, FACTOR, IDENTITY = 20, 21, 22
# Pairs of words, counted in pairs: what a request waits for, board time, how far the board may go on its own,
# when its next callback is due, when it was started.
TARGET, TIME, UNTIL, DUE, BOOT = 2, 4, 5, 6, 9

INTERRUPT = 1
"""Flag of an answer: raise KeyboardInterrupt."""

# Posted writes.
PIN_LEVEL, PIN_MODE, PWM_DUTY, PWM_HZ, PWM_OFF, WATCHDOG, PWM_ON = range(1, 8)
# Requests.
HELLO, WAIT, SPI_TRANSFER, ADC_READ, PULSE, LEVEL, POLL, RESET, STAY, EDGE = range(1, 11)


class Page:
    """The bench's view of the page."""

    def __init__(self) -> None:
        with tempfile.TemporaryFile() as file:
            self.descriptor = os.dup(file.fileno())
        os.ftruncate(self.descriptor, PAGE_BYTES)
        self.memory = mmap.mmap(self.descriptor, PAGE_BYTES)
        self.words = memoryview(self.memory).cast("I")
        self.times = memoryview(self.memory).cast("Q")
        self.tail = 0

    def clear(self, now_ns: int, cause: int, factor: int, identity: int) -> None:
        """Make it ready for a board that starts at `now_ns`; `factor` is the cost of Python work in 1/1000."""
        self.memory[:PAYLOAD] = bytes(PAYLOAD)
        self.tail = 0
        words, times = self.words, self.times
        words[CAUSE], words[FACTOR], words[IDENTITY] = cause, factor, identity
        times[TIME] = times[UNTIL] = times[BOOT] = now_ns
        times[DUE] = NEVER_NS

    def asks(self) -> bool:
        """Whether a request waits for its answer."""
        return self.words[SEQ] != self.words[REPLY]

    def posted(self, until_ns: int) -> list[tuple[int, int, int]]:
        """Take the posted writes up to `until_ns`: (time, operation << 16 | pin, value) in order."""
        head = self.words[HEAD]
        slots = []
        while self.tail != head:
            slot: tuple[int, int, int] = SLOT.unpack_from(self.memory, RING + self.tail % RING_SLOTS * SLOT.size)
            if slot[0] > until_ns:
                break
            slots.append(slot)
            self.tail = (self.tail + 1) & 0xFFFFFFFF
        return slots

    def answer(self, time_ns: int, until_ns: int, result: int = 0, flags: int = 0) -> None:
        """Answer the request that waits: board time becomes `time_ns`, and it may go on to `until_ns` by itself."""
        words, times = self.words, self.times
        words[RESULT] = result & 0xFFFFFFFF
        words[FLAGS] = flags
        times[TIME] = time_ns
        times[UNTIL] = until_ns
        words[REPLY] = words[SEQ]

    def close(self) -> None:
        """Give the memory back."""
        self.words.release()
        self.times.release()
        self.memory.close()
        os.close(self.descriptor)
