"""Readings of a motor at rest, phases off."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from harness.checks.rest.stimulus import Stimulus

from harness.acting.service import Service
from harness.nouns.observation import Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Let the board read; about a third of a second."""
    turn = rig.declared[motor].counts_per_turn
    with Service(rig, "rest", "read", motor=rig.index(motor), readings=stimulus.readings) as service:
        service.finish()
        observation = service.observation(f"{motor}.rest.still", "rest", {}, count=("rad", math.tau / turn))
    rig.keep(observation)
    return [observation]
