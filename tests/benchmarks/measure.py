"""What a busy machine hardly disturbs: processor time in place of the wall's, the least of several rounds in turns."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from typing import TypeVar

K = TypeVar("K")


def processor_s() -> float:
    """Processor time of this process and of those that it has started and waited for."""
    waited_for = os.times()
    return time.process_time() + waited_for.children_user + waited_for.children_system


def least(
    acts: Mapping[K, Callable[[], object]], rounds: int, now_s: Callable[[], float] = processor_s
) -> dict[K, float]:
    """The least time of each act over rounds in which all have their turn: other work on the machine only adds."""
    times_s: dict[K, list[float]] = {key: [] for key in acts}
    for _ in range(rounds):
        for key, act in acts.items():
            begin_s = now_s()
            act()
            times_s[key].append(now_s() - begin_s)
    return {key: min(each) for key, each in times_s.items()}
