"""The pull on an arm. Measurement and model both take it from here, so that its uncertainty cancels between them."""

from __future__ import annotations

from harness.base.gravity import PLACES_M_S2, STANDARD_M_S2
from harness.nouns.quantity import Quantity, rectangular

SOURCE = "local gravity"
"""Under which it stands in budgets."""


def local() -> Quantity:
    """Gravity at a place that nobody has stated, m/s2."""
    return rectangular(STANDARD_M_S2, PLACES_M_S2, "m/s2", SOURCE, "look up the local value")
