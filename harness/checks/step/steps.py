"""What a run of set-point steps leaves: its steps, each from the first pass that used the new set point."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.fits import pulse
from harness.fits.swings import smoothed
from harness.nouns.array import Array
from harness.nouns.observation import Observation

LEVEL_S = 0.03
"""Mean over this long before a change and at the end of a step: half of what the shaft is seen to be still, because
within the band of the noise a last small swing may still go on at the beginning of that."""
FEWEST_PASSES = 20
INSIDE_CLIP = 0.995
"""A demand below this share of the clip is what the loop wants; rounding. Arbitrary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step, instants from the first pass that used the new set point; angles in rad, counted through."""

    t_s: Array
    angle_rad: Array
    demand: Array
    before_s: Array
    before_rad: Array
    set_point_rad: float
    place_rad: float
    """Set point from where the loop was closed."""
    clipped: bool
    """Whether the demand was at its limit."""
    still: bool
    """Whether the shaft came to rest before the time for it was over."""

    @property
    def initial_rad(self) -> float:
        """Mean level before the step."""
        return float(np.mean(self.before_rad[self.before_s > self.before_s[-1] - LEVEL_S]))

    @property
    def final_rad(self) -> float:
        """Mean level at its end."""
        return float(np.mean(self.angle_rad[self.t_s > self.t_s[-1] - LEVEL_S]))

    @property
    def size_rad(self) -> float:
        """From level to level, signed."""
        return self.final_rad - self.initial_rad

    @property
    def way(self) -> float:
        """+1 up, -1 down."""
        return math.copysign(1.0, self.set_point_rad - self.initial_rad)

    def transition(self, half_window: int = 7) -> pulse.Transition:
        """Smoothed record between its levels, without the ends where smoothing is weak."""
        inside = slice(None, -half_window)
        return pulse.transition(
            self.t_s[inside], smoothed(self.angle_rad, half_window)[inside], self.initial_rad, self.final_rad
        )


def small_and_large(observation: Observation) -> tuple[list[Step], list[Step]]:
    """The steps of a run that were made: small ones, then large ones (none where the shaft did not come to rest).

    Raises MeasurementError for a step with too few passes.
    """
    turn, offsets = observation.whole("counts_per_turn"), observation.wholes("offsets_count")
    start, small = observation.whole("start_count"), observation.whole("small_steps")
    clip, most_s = observation.number("clip"), observation.number("most_s")
    counts = np.unwrap(observation.si("count"), period=math.tau)
    counts = counts + math.tau * round((start * math.tau / turn - float(counts[0])) / math.tau)
    t, demand, number = observation.si("t"), observation.si("demand"), observation.si("step")
    steps = []
    for place in range(1, int(number.max()) + 1):
        rows = np.flatnonzero(number == place)
        before = np.flatnonzero(number == place - 1)
        if min(rows.size, before.size) < FEWEST_PASSES:
            raise MeasurementError(
                f"{observation.name}: step {place} has {rows.size} passes after {before.size} before it, "
                f"expected at least {FEWEST_PASSES}"
            )
        # The first pass that used the new set point is where the demand jumps; late firmware does so passes later.
        window = np.arange(before[-1], min(rows[0] + FEWEST_PASSES, rows[-1]))
        jump = int(window[int(np.argmax(np.abs(np.diff(demand[window]))))]) + 1
        use = np.arange(jump, rows[-1] + 1)
        offset = offsets[place - 1]
        steps.append(
            Step(
                t_s=t[use] - t[jump], angle_rad=counts[use], demand=demand[use],
                before_s=t[before[0] : jump] - t[jump], before_rad=counts[before[0] : jump],
                set_point_rad=(start + offset) * math.tau / turn, place_rad=offset * math.tau / turn,
                clipped=bool(np.max(np.abs(demand[use])) >= INSIDE_CLIP * clip),
                still=float(t[rows[-1]] - t[rows[0]]) < 0.98 * most_s,
            )
        )  # fmt: skip
    return steps[:small], steps[small:]
