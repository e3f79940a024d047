"""What the drive contract lets expect of states: off is off, and what is declared is what the rig file says."""

from __future__ import annotations

from harness.checks.states.quantities import CHECK
from harness.nouns.contract import Declared
from harness.nouns.quantity import exact
from harness.nouns.results import Expectation
from harness.rigfile import RigSpec


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """0 of each."""
    return [
        Expectation(
            name=f"{motor}.states.{row.name}",
            quantity=exact(0.0, "1"),
            model="harness/nouns/CONTRACT.md, what holds between calls",
        )
        for row in CHECK.quantities
    ]
