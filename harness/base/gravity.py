"""Standard gravity, and how far the place of a bench may differ from it."""

from __future__ import annotations

STANDARD_M_S2 = 9.80665
"""By definition (Third General Conference on Weights and Measures, 1901)."""
PLACES_M_S2 = 0.0267
"""Half-width over the earth at sea level: 9.780 at the equator, 9.832 at the poles (handbook)."""
