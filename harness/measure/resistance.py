"""Winding temperature from resistance (IEC 60034-1, 8.6.2) and its extrapolation to switch-off.

A metal's resistance is nearly a straight line that meets zero at -k degC, so that
(theta2 + k) / (theta1 + k) = R2 / R1.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from harness.errors import MeasurementError
from harness.measure.exponential import approach
from harness.quantity import Quantity, propagate

RECIPROCAL_COEFFICIENT_C: Mapping[str, float] = {"copper": 235.0, "aluminium": 225.0}
"""k: reciprocal of the temperature coefficient of resistance at 0 degC (IEC 60034-1, 8.6.2.2)."""

REFERENCE_C = 20.0
"""Temperature that resistances, torques and rises are referred to, degC."""


def reciprocal_coefficient_c(conductor: str) -> float:
    """k of a conductor by name. Raises MeasurementError for one that is not in the standard."""
    if conductor not in RECIPROCAL_COEFFICIENT_C:
        known = ", ".join(RECIPROCAL_COEFFICIENT_C)
        raise MeasurementError(f"conductor {conductor!r}: expected one of {known}")
    return RECIPROCAL_COEFFICIENT_C[conductor]


def temperature_c(resistance_ratio: float, cold_temperature_c: float, k_c: float) -> float:
    """Temperature (degC) at which the resistance is `resistance_ratio` times the cold one."""
    return resistance_ratio * (k_c + cold_temperature_c) - k_c


def resistance_at(resistance: float, temperature: float, wanted: float, k_c: float) -> float:
    """Resistance referred from one temperature to another (degC)."""
    return resistance * (k_c + wanted) / (k_c + temperature)


def rise_k(
    hot_ohm: Quantity, cold_ohm: Quantity, cold_temperature: Quantity, ambient_temperature: Quantity, conductor: str
) -> Quantity:
    """Temperature rise (K) over the ambient at the end, which may have changed since the cold reading.

    Hot and cold readings of one meter share its gain, which cancels in their ratio: give them as the
    meter's quantities and the source names see to it.
    """
    k_c = reciprocal_coefficient_c(conductor)
    return propagate(
        lambda hot, cold, cold_c, ambient_c: temperature_c(hot / cold, cold_c, k_c) - ambient_c,
        "K",
        hot=hot_ohm,
        cold=cold_ohm,
        cold_c=cold_temperature,
        ambient_c=ambient_temperature,
    )


def at_switch_off(
    t_s: ArrayLike, resistance_ohm: ArrayLike, settled_ohm: float | None, source: str
) -> tuple[Quantity, Quantity]:
    """Resistance at switch-off (t = 0) and the time constant (s) of its fall, from readings while it cools.

    One exponential to `settled_ohm`, the resistance at the coolant's temperature; with None that is
    fitted as well. Raises MeasurementError for readings that do not fall.
    """
    times, readings = np.asarray(t_s, dtype=np.float64), np.asarray(resistance_ohm, dtype=np.float64)
    if times.size < 4 or not readings[np.argmin(times)] > readings[np.argmax(times)]:
        raise MeasurementError("an extrapolation to switch-off needs at least 4 readings that fall")
    found = approach(times, readings, "ohm", source, final=settled_ohm, most_terms=1)
    return found.start, found.slow_time
