"""The staircase of set points: small steps down, up and down again about hanging, then large ones."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate
from statistics import fmean

from harness.checks.strength import largest_amplitude, require
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

SMALL_RAD = tuple(0.054 + 0.012 * k / 9.0 for k in range(10))
"""Sizes of the small steps: spread over more than what friction leaves, so that it does not stop all alike."""
MEAN_SMALL_RAD = (SMALL_RAD[0] + SMALL_RAD[-1]) / 2.0
WAYS = (-1, -1, 1, 1, 1, 1, -1, -1, -1, -1)
"""Down, up and down again, so that all places are near where the arm hangs and no step only goes to a start."""
MEAN_PLACE_RAD = MEAN_SMALL_RAD * fmean(way * steps for way, steps in zip(WAYS, accumulate(WAYS), strict=True))
"""Mean place of the small steps along their way, from where the arm hangs: the sense in which it pulls back."""
LARGE_RAD = 0.3
HUNTS = "large steps are not made with a loop that hunts"
"""Why nothing of large steps is measured then."""
LARGE_WAYS = (1, -1)
"""From the foot of the staircase, and back to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    small_rad: tuple[float, ...]
    """Sizes of the small steps, which the run draws in an order of its own."""
    ways: tuple[int, ...]
    large_rad: float
    large_ways: tuple[int, ...]
    """None where large steps are left out."""


def stimulus(spec: RigSpec, declared: Declared, motor: str, *, hunts: bool) -> Stimulus:
    """The whole staircase; without large steps where the loop is expected to hunt (`hunts`).

    Raises MissingCapability where a limit forbids the firmware's clip, which large steps reach.
    """
    if not hunts:
        allowed = largest_amplitude(spec, motor, declared.max_static_duty)
        require(allowed, declared.amplitude_limit, "the clip of the firmware's loop")
    return Stimulus(small_rad=SMALL_RAD, ways=WAYS, large_rad=LARGE_RAD, large_ways=() if hunts else LARGE_WAYS)
