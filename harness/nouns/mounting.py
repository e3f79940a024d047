"""How a motor, its sensor and its arm happen to be mounted: what a procedure must know before it goes anywhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.nouns.results import Measurement, Unmeasured

DIRECTION, OFFSET, HANG = "direction", "offset", "hang_reading"
"""Quantities of commutation that measure it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """Angles in rad; as a rig file states them, or as they were measured."""

    direction: int
    """+1 or -1: sense of the reading for a field in the order A, B, C."""
    offset_rad: float
    """Electrical angle at reading zero."""
    hang_rad: float
    """Reading with the arm hanging."""


def measured(motor: str, results: Mapping[str, Measurement | Unmeasured]) -> dict[str, float]:
    """What commutation has measured of a motor's mounting, by the names above; what has no number is not in it."""
    there = {name: results.get(f"{motor}.commutation.{name}") for name in (DIRECTION, OFFSET, HANG)}
    return {name: result.quantity.value for name, result in there.items() if isinstance(result, Measurement)}
