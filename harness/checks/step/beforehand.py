"""What the steps take and do, known before they are run."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate

from harness.checks.effort import field_effort, loop_amplitude
from harness.checks.step.model import expected_to_hunt
from harness.checks.step.procedure import MOST_S
from harness.checks.step.stimulus import HUNTS, stimulus
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

START_S = 1.0
"""The cost of the firmware's hook and the noise at rest are found first (the sum of the procedure's own waits)."""
USUAL_STEP_S, LEAST_STEP_S = 0.45, 0.2
"""Until friction holds the shaft (arbitrary: some cycles of a loop of 50 rad/s)."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """As many steps as are made, none longer than the procedure lets it be."""
    done = stimulus(spec, declared, motor, hunts=expected_to_hunt(spec, declared, motor))
    count = len(done.ways) + len(done.large_ways)
    largest = max(done.small_rad)
    places = [largest * ways for ways in accumulate(done.ways)]
    overshot = done.large_rad if done.large_ways else largest
    most_s = START_S + count * MOST_S
    return field_effort(
        spec,
        motor,
        Duration(least_s=START_S + count * LEAST_STEP_S, usual_s=START_S + count * USUAL_STEP_S, most_s=most_s),
        [(loop_amplitude(spec, declared), most_s)],
        travel_rad=max(map(abs, places)) + len(done.large_ways[:1]) * done.large_rad + overshot,
    )


def unmeasured(spec: RigSpec, declared: Declared, motor: str) -> Mapping[str, str]:
    """What only large steps show, where a loop is expected to hunt."""
    hunts = expected_to_hunt(spec, declared, motor)
    return {f"{motor}.step.{quantity}": HUNTS for quantity in ("large_rise_time", "large_overshoot") if hunts}
