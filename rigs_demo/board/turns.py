"""Whose turn it is: bench and board never work at the same time, and whoever waits sleeps.

The board tells of each request, and the bench of each answer, by one byte through a pipe; the page says the rest. Both
are kept on one processor: there the other one wakes within some two microseconds, on a processor that has gone to rest
within twenty (measured), and several benches do not take each other's time by watching for their boards.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import socket

_PRESENT_PROCESSOR = getattr(ctypes.CDLL(None), "sched_getcpu", None) if hasattr(os, "sched_setaffinity") else None


class Turns:
    """The two pipes, and the bench's side of taking turns."""

    def __init__(self) -> None:
        self._asked, self.asking = os.pipe()
        self.answers, self._answering = os.pipe()
        self._pid = 0
        self._processor = -1

    def started(self, pid: int) -> None:
        """The board runs and has its ends, `asking` and `answers`: they are closed here."""
        self._pid = pid
        os.close(self.asking)
        os.close(self.answers)

    def wait(self, output: socket.socket, duration_s: float) -> bool | None:
        """Sleep until the board asks, puts something out, or `duration_s` has passed.

        Returns:
            Whether it has asked since, which may have been answered before; None once it is gone.
        """
        self._keep_together()
        ready, _, _ = select.select([self._asked, output.fileno()], [], [], duration_s)
        if self._asked not in ready:
            return False
        return True if os.read(self._asked, 64) else None

    def answered(self) -> None:
        """Wake the board: its answer is there. More often than needed does no harm."""
        with contextlib.suppress(BrokenPipeError):  # it has just ended
            os.write(self._answering, b".")

    def close(self) -> None:
        """Give the pipes back."""
        os.close(self._asked)
        os.close(self._answering)

    def _keep_together(self) -> None:
        if _PRESENT_PROCESSOR is None or (processor := _PRESENT_PROCESSOR()) == self._processor:
            return
        self._processor = processor
        with contextlib.suppress(OSError):  # it has ended, or may not be moved: only slower
            os.sched_setaffinity(self._pid, {processor})
