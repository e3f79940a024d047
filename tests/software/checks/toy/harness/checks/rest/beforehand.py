"""What looking at an arm takes, known before it is looked at: nothing is energised."""

from __future__ import annotations

from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """The same for every rig."""
    return Effort(duration=Duration.of(0.5), phase_current_a=0.0, travel_rad=0.0, energy_j=0.0, rise_k=0.0)
