"""What both motors do at once: hold their arms aside."""

from __future__ import annotations

from dataclasses import dataclass

from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

HOLD = "together.hold"
"""What is observed meanwhile."""
NO_SUPPLY = "needs an [instrument.*] of class supply: its voltage while the motors hold"
"""Why the supply's sag is not measured without one."""
REACH_RAD = 0.6
"""Deflection of the arms from hanging while they hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to all motors."""

    reach_rad: float


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The same for every rig."""
    return Stimulus(reach_rad=REACH_RAD)
