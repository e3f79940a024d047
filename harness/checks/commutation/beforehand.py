"""What commutation takes and does, known before it is run."""

from __future__ import annotations

from harness.checks.commutation.procedure import RESTS, ROW_S, SPARE, STEP_S, SWING_S
from harness.checks.commutation.stimulus import READINGS, VECTOR_RAD, stimulus
from harness.checks.effort import field_effort
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

ASIDE_S = 3.5
"""Beside sweeps and rests: the vectors in order, ways to where a sweep begins, the script's start (the sum of the
procedure's own waits)."""
LET_GO = 2
"""Times that the arm is let go."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """Sweeps as long as the rig allows; each rest again while the arm still swings."""
    done = stimulus(spec, declared, motor)
    reach = done.steps + SPARE
    sweeps_s = STEP_S * 2.0 * 2.0 * (reach + done.steps / 2.0 + SPARE)
    rest_s = SWING_S + ROW_S * (READINGS + 8)
    least_s = ASIDE_S + sweeps_s + LET_GO * rest_s
    return field_effort(
        spec,
        motor,
        Duration(least_s=least_s, usual_s=least_s, most_s=least_s + LET_GO * (RESTS - 1) * rest_s),
        [(done.amplitude, ASIDE_S + sweeps_s)],
        travel_rad=(reach + 1.0) * VECTOR_RAD / spec.motor[motor].pole_pairs,
    )
