"""Waiting for what another process does: as long as a busy machine may need, and no longer than it takes."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from harness.base.clock import WallClock

PATIENCE_S = 300.0
"""For what must come: costs nothing where it comes, and a machine this slow has other troubles (arbitrary)."""
LOOK_S = 0.02
"""Between two looks (arbitrary)."""


def until(reached: Callable[[], object], what: str) -> None:
    """Wait in wall time until `reached()`. Raises AssertionError where it does not come."""
    clock = WallClock()
    deadline_s = clock.now_s() + PATIENCE_S
    while not reached():
        assert clock.now_s() < deadline_s, f"{what} not within {PATIENCE_S} s"
        clock.sleep_s(LOOK_S)


def has_ended(process: int) -> bool:
    """Whether there is no such process any more, or only what its parent has not asked for yet."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] == "Z"
    except OSError:  # ended in this moment, or a system without /proc
        return Path("/proc/self").exists()
