"""What heats the winding: a constant current through two phases in series, and before it a stronger one."""

from __future__ import annotations

from dataclasses import dataclass

from harness.checks.strength import largest_current_a, require
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

CURRENT_A = 0.55
"""Phase current to which rises and resistances are referred (arbitrary: warms a small motor by some 50 K)."""
BOOST = 1.5
"""How much stronger the current may be at first: it brings the housing near its end sooner, as IEC 60034-1 allows for
machines that warm slowly (from memory), and tells heat of before from heat of now (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    current_a: float
    boost_a: float
    """The stronger one; as `current_a` where a limit allows no more."""


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The same current for every rig. Raises MissingCapability where a limit does not allow it."""
    allowed = largest_current_a(spec, motor)
    require(allowed, CURRENT_A, "warming a winding")
    return Stimulus(current_a=CURRENT_A, boost_a=min(BOOST * CURRENT_A, allowed.value))
