"""Numbers of standards that measurement and model both take from here, so that they cannot disagree."""

from __future__ import annotations

from collections.abc import Mapping

REFERENCE_C = 20.0
"""Temperature that resistances, torques and rises are referred to, degC."""
RECIPROCAL_COEFFICIENT_C: Mapping[str, float] = {"copper": 235.0, "aluminium": 225.0}
"""k of a conductor: its resistance goes as k + temperature in degC (IEC 60034-1, 8.6.2.2)."""
DIODE_V = 0.7
"""Forward drop of a silicon body diode (handbook); what it may differ is little beside what a dead time may."""
