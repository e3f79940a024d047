"""The pull on an arm: standard gravity, and how far the place of the bench may differ from it."""

from __future__ import annotations

from harness.quantity import Quantity, rectangular

STANDARD_M_S2 = 9.80665
"""By definition (Third General Conference on Weights and Measures, 1901)."""
PLACES_M_S2 = 0.03
"""Half-width over the places people live in: 9.78 at the equator to 9.83 in the north (handbook)."""


def local() -> Quantity:
    """Gravity at a place that nobody has stated, m/s2."""
    return rectangular(STANDARD_M_S2, PLACES_M_S2, "m/s2", "local gravity", "look up the local value")
