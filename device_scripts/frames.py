"""Samples and events to the host as numbered, checked frames.

On the wire, little-endian: start 1E, kind, sequence (2 bytes), payload length (2), low half of the
CRC-32 of these six (2), payload, CRC-32 of all before it (4). Where the board has no
`sys.stdout.buffer` the same bytes go as hexadecimal text behind a 1F, so that no newline of a frame is
translated. Kinds: B begin, H header of a stream, 80 and up rows of the first stream and so on, E event,
A bytes taken from the host, F piece of a file, Z end (number of frames before it).

Runs on MicroPython from 1.9: no memoryview, no binascii, no sys.stdin needed for sending.
Not for interrupt handlers: send from the main program only, or two frames mix.
"""

import struct
import sys

try:
    from binascii import crc32
except ImportError:
    # Nibble table of CRC-32 (polynomial EDB88320 reflected, IEEE 802.3), halves so that ints stay small.
    _LOW = (0, 4196, 8392, 12460, 16784, 20980, 24920, 28988, 33568, 37700, 41960, 45964, 49840, 53972, 57976, 61980)
    _HIGH = (0, 7607, 15214, 9945, 30428, 27499, 19890, 20485, 60856, 61455, 54998, 52065, 39780, 34515, 40970, 48573)

    def crc32(data, value=0):  # type: ignore[misc]
        """CRC-32 of `data`, going on from `value`; as binascii.crc32 where that exists."""
        low = (value & 0xFFFF) ^ 0xFFFF
        high = (value >> 16) ^ 0xFFFF
        for byte in data:
            low ^= byte
            for _ in range(2):
                place = low & 15
                low = (low >> 4) ^ ((high & 15) << 12) ^ _LOW[place]
                high = (high >> 4) ^ _HIGH[place]
        return ((high ^ 0xFFFF) << 16) | (low ^ 0xFFFF)


try:
    _view = memoryview
except NameError:
    _view = bytes  # type: ignore[misc,assignment]  # a copy, where there is no memoryview

_out = getattr(getattr(sys, "stdout", None), "buffer", None)
_head = bytearray(8)
_tail = bytearray(4)
_sequence = 0
_streams = []  # type: list[Stream]


def _write(data):
    written = _out.write(data)  # type: ignore[union-attr]
    if written is not None and written < len(data):
        # The host has not read for longer than the port waits: what is left is still ours to send.
        rest = _view(data)
        for _ in range(20):  # arbitrary: some seconds of a host that does not read
            rest = rest[written or 0 :]
            if not len(rest):
                return
            written = _out.write(rest)  # type: ignore[union-attr]
        raise OSError("host does not read")


def send(kind, payload):
    """Send one frame: `kind` an integer, `payload` bytes-like of at most 65535 bytes."""
    global _sequence
    struct.pack_into("<BBHH", _head, 0, 0x1E, kind, _sequence, len(payload))
    struct.pack_into("<H", _head, 6, crc32(_view(_head)[:6]) & 0xFFFF)
    struct.pack_into("<I", _tail, 0, crc32(payload, crc32(_head)))
    _sequence = (_sequence + 1) & 0xFFFF
    if _out is None:
        print("\x1f", end="")
        for part in (_head, payload, _tail):
            for byte in part:
                print("%02x" % byte, end="")
    else:
        _write(_head)
        _write(payload)
        _write(_tail)


def begin():
    """First frame of a run; the host counts from here."""
    global _sequence
    _sequence = 0
    del _streams[:]
    send(66, b"\x01")


def done():
    """Send what is buffered, and the frame that says that nothing is missing."""
    for stream in _streams:  # not by flush(): old boards have a stack for some six calls
        stream.flush()
    send(90, struct.pack("<H", _sequence))


def flush():
    """Send the buffered rows of every stream."""
    for stream in _streams:
        stream.flush()


def event(name, value):
    """Something that happened once: `value` any mix of numbers, text, tuples, lists, dicts."""
    for stream in _streams:
        stream.flush()
    send(69, bytes(name + "\n" + repr(value), "utf-8"))


class Stream:
    """Rows of fixed columns. `columns`: (name, unit, struct code) each; `size`: bytes buffered.

    Codes: b B h H i I q Q f d. A value too large for its code is cut off by older MicroPython, silently:
    choose the code for the largest value that can occur.
    """

    def __init__(self, name, columns, size=480):
        self._format = "<" + "".join([column[2] for column in columns])
        self._step = struct.calcsize(self._format)
        self._block = bytearray(max(1, size // self._step) * self._step)
        self._at = 0
        self._kind = 128 + len(_streams)
        _streams.append(self)
        lines = [name] + [" ".join(column) for column in columns]
        send(72, bytes("\n".join(lines), "utf-8"))

    def row(self, *values):
        """Append one row; sends a frame when the buffer is full."""
        struct.pack_into(self._format, self._block, self._at, *values)
        self._at += self._step
        if self._at == len(self._block):
            self.flush()

    def flush(self):
        """Send what is buffered."""
        if self._at:
            at = self._at
            self._at = 0
            send(self._kind, _view(self._block)[:at])

    def packed(self, rows):
        """Send rows that are packed already (a capture buffer): a whole number of them, at most 65535 bytes."""
        self.flush()
        send(self._kind, rows)


def Inbox(size=128):
    """Lines from the host (inbox.py, loaded when wanted)."""
    from inbox import Inbox

    return Inbox(size)
