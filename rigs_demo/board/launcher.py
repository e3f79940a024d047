"""Becomes the board: maps the shared page, asks to die with the bench, and hands over to the interpreter.

Run as a file in a fresh Python: `python -P launcher.py PAGE_DESCRIPTOR BENCH_PID HEAP`; stdin and stdout are the
board's serial line. Imports nothing of this project.
"""

from __future__ import annotations

import ctypes
import importlib
import mmap
import os
import signal
import sys
from pathlib import Path

PR_SET_PDEATHSIG, PR_SET_TIMERSLACK = 1, 29
"""Linux, <sys/prctl.h>. The slack, 1 us instead of 50: the board's short pauses are to be short."""


def main() -> int:
    """Run the interpreter until it ends; its exit code."""
    descriptor, bench, heap = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    if sys.platform == "linux":
        control = ctypes.CDLL(None).prctl
        control(PR_SET_PDEATHSIG, signal.SIGKILL)
        control(PR_SET_TIMERSLACK, 1000)
    if os.getppid() != bench:
        return 1  # it died before we asked
    memory = mmap.mmap(descriptor, 0)
    os.environ["ROTORGATE_PAGE"] = str(ctypes.addressof(ctypes.c_char.from_buffer(memory)))
    signal.signal(signal.SIGUSR1, lambda _number, _frame: None)  # only to end a read: the interpreter then looks up
    os.chdir(os.environ["ROTORGATE_FLASH"])
    run_main = importlib.import_module("micropython_unix").run_main
    start = Path(os.environ["ROTORGATE_SHADOW"]) / "_start.py"
    return int(run_main(["micropython", "-X", f"heapsize={heap}", "-i", str(start)]))


if __name__ == "__main__":
    sys.exit(main())
