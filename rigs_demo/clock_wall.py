"""Wall time as the simulated bench needs it: to pause between looks, and to notice a board that has fallen silent."""

from __future__ import annotations

import os
import time


def pause_us(duration_us: int) -> None:
    """Give the processor away for about `duration_us`."""
    time.sleep(duration_us * 1e-6)


def give_way() -> None:
    """Let another process run, if one wants to."""
    if hasattr(os, "sched_yield"):
        os.sched_yield()


def wall_ns() -> int:
    """Monotonic wall time."""
    return time.monotonic_ns()


def processor_ns(pid: int) -> int | None:
    """Processor time that a process has used; None where the system does not tell."""
    try:
        return time.clock_gettime_ns((~pid << 3) | 2)  # Linux: clock of another process, clock_getcpuclockid(3)
    except (OSError, AttributeError, OverflowError):
        return None
