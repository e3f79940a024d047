"""What the operating system tells of the board's process, and signals to it. Exact on Linux, less so elsewhere."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from pathlib import Path

READ = "0 0x{:x} 0x" if sys.platform == "linux" else "-"
"""/proc/PID/syscall of read(descriptor, ...) on x86-64, the only Linux that the wheel is for."""
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


def is_stopped(pid: int) -> bool:
    """Whether somebody has stopped it, and nobody has let it go on; False where nothing is told."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] in "Tt"
    except OSError:
        return False


def catches_interrupt(pid: int) -> bool:
    """Whether it has a handler for SIGINT now."""
    return bool(signals(pid, "SigCgt") >> (signal.SIGINT - 1) & 1)


class Blocked:
    """What the process's main thread, whose number is the process's, sleeps in: a read of input, or of an answer."""

    def __init__(self, pid: int, answers: int) -> None:
        self._pid = pid
        self._answers = answers
        self._descriptor = -1
        self.system_tells = True
        """False once the system has not told."""

    def in_read(self) -> bool:
        """It sleeps in a read of its input, or was woken and its processor has not taken it up yet."""
        return self._reads(0)

    def for_answer(self) -> bool:
        """Likewise, for an answer of the bench."""
        return self._reads(self._answers)

    def _reads(self, which: int) -> bool:
        try:
            if self._descriptor < 0:
                self._descriptor = os.open(f"/proc/{self._pid}/syscall", os.O_RDONLY)
            return os.pread(self._descriptor, 16, 0).startswith(READ.format(which).encode())
        except OSError:
            self.system_tells = False
            return False

    def close(self) -> None:
        """Give the descriptor back."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1
