"""What heats the winding: a constant current through two phases in series, begun on a cold motor."""

from __future__ import annotations

from dataclasses import dataclass

from harness.checks.strength import largest_current_a, require
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

CURRENT_A = 0.55
"""Phase current held, to which rises and resistances are referred (arbitrary: warms a small motor by some 50 K)."""
COLD_WAIT_S = 300.0
COLD_AGREE = 6e-4
"""Two cold readings COLD_WAIT_S apart agree when their resistances differ by less, relative: 0.15 K of copper, three
times the noise of a reading with a supply of usual resolution (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    current_a: float


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The same current for every rig. Raises MissingCapability where a limit does not allow it."""
    require(largest_current_a(spec, motor), CURRENT_A, "warming a winding")
    return Stimulus(current_a=CURRENT_A)
