"""What the operating system tells of the board's process, and signals to it. Exact on Linux, less so elsewhere."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from pathlib import Path

READ_INPUT = b"0 0x0 0x" if sys.platform == "linux" else b"-"
"""/proc/PID/syscall of read(0, ...) on x86-64, the only Linux that the wheel is for."""
_TO_THREAD = getattr(ctypes.CDLL(None), "tgkill", None)


def send(pid: int, what: signal.Signals) -> None:
    """Signal the process's main thread, which waits for input; one to the process may be taken by another thread."""
    if _TO_THREAD is None or _TO_THREAD(pid, pid, int(what)) != 0:
        os.kill(pid, what)


def signals(pid: int, *sets: str) -> int:
    """Signals in any of these sets of /proc/PID/status as bits, that of signal 1 lowest; none where nothing is told."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0
    bits_set = 0
    for line in status.splitlines():
        name, _, bits = line.partition(":")
        if name in sets:
            bits_set |= int(bits, 16)
    return bits_set


def catches_interrupt(pid: int) -> bool:
    """Whether it has a handler for SIGINT now."""
    return bool(signals(pid, "SigCgt") >> (signal.SIGINT - 1) & 1)


class Blocked:
    """Whether the process's main thread, whose number is the process's, sleeps in a read of its input."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._descriptor = -1
        self.told = True
        """False once the system has not told."""

    def in_read(self) -> bool:
        """It sleeps there, or was woken and its processor has not taken it up yet."""
        try:
            if self._descriptor < 0:
                self._descriptor = os.open(f"/proc/{self._pid}/syscall", os.O_RDONLY)
            return os.pread(self._descriptor, 16, 0).startswith(READ_INPUT)
        except OSError:
            self.told = False
            return False

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
