"""What the check of states takes, known before it is run: nothing is energised."""

from __future__ import annotations

from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

DURATION = Duration(least_s=0.2, usual_s=1.5, most_s=5.0)
"""A soft reset, and reading pins before and after (arbitrary: ports differ in how long they start)."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """The same for every rig."""
    return Effort(duration=DURATION, phase_current_a=0.0, travel_rad=0.0, energy_j=0.0, rise_k=0.0)
