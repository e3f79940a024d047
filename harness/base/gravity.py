"""The pull on an arm: standard gravity, and how far the place of the bench may differ from it.

Measurement and model both take it from here, so that it is one source of uncertainty and cancels between them.
"""

from __future__ import annotations

from harness.nouns.quantity import Quantity, rectangular

STANDARD_M_S2 = 9.80665
"""By definition (Third General Conference on Weights and Measures, 1901)."""
PLACES_M_S2 = 0.0267
"""Half-width over the earth at sea level: 9.780 at the equator, 9.832 at the poles (handbook)."""


def local() -> Quantity:
    """Gravity at a place that nobody has stated, m/s2."""
    return rectangular(STANDARD_M_S2, PLACES_M_S2, "m/s2", "local gravity", "look up the local value")
