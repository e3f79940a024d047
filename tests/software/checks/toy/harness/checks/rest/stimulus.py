"""What resting does to a motor: nothing, for a while."""

from __future__ import annotations

from dataclasses import dataclass

from harness.nouns.contract import Declared
from harness.rigfile import RigSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    readings: int


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The same for every rig."""
    return Stimulus(readings=64)
