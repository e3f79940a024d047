"""What the check of conduct takes and does, known before it is run."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.checks.conduct.procedure import BUSY_DEADMEN
from harness.checks.conduct.stimulus import AMPLITUDE, EITHER_WAY, FALL_RAD, NO_SUPPLY, stimulus
from harness.checks.effort import field_effort, loop_amplitude
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

PATTERN_S = 3.5
"""Fields and duties read from the pins, an arm let go, scripts started (the sum of the procedure's own waits)."""
HOLDS = 4.0
"""Times that a set point is held, in all."""
FAR_TIMES = 2.0
"""Times that the loop is told to go far: its clip is reached for these passes only."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """The loop held at its set points, and a silence of the host's that the board's deadman ends."""
    done, deadman_s = stimulus(spec, declared, motor), spec.board.deadman_s
    held_s = HOLDS * done.hold_s
    usual_s = PATTERN_S + held_s + 3.0 * deadman_s
    count_rad = math.tau / declared.counts_per_turn
    fallen = FALL_RAD if done.fall is not None else 0.0
    return field_effort(
        spec,
        motor,
        Duration(least_s=usual_s - deadman_s, usual_s=usual_s, most_s=usual_s + BUSY_DEADMEN * deadman_s),
        [
            (AMPLITUDE * (1.0 + EITHER_WAY), PATTERN_S + held_s),
            *([(loop_amplitude(spec, declared), FAR_TIMES * done.far_s)] if done.far else []),
        ],
        travel_rad=max(fallen, abs(done.aside) * count_rad, done.move * count_rad),
    )


def unmeasured(spec: RigSpec, declared: Declared, motor: str) -> Mapping[str, str]:
    """What takes a supply that is an instrument."""
    return {} if spec.instruments_of("supply") else {f"{motor}.conduct.current_left": NO_SUPPLY}
