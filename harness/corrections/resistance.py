"""Winding temperature from resistance (IEC 60034-1, 8.6.2).

A metal's resistance is nearly a straight line that meets zero at -k degC, so that
(theta2 + k) / (theta1 + k) = R2 / R1.
"""

from __future__ import annotations

from harness.nouns.quantity import Quantity, propagate
from harness.rigfile import RigSpec, unstated


def temperature_c(resistance_ratio: float, cold_temperature_c: float, k_c: float) -> float:
    """Temperature (degC) at which the resistance is `resistance_ratio` times the one at the cold temperature.

    >>> round(temperature_c(4.22 / 3.42, 20.0, 235.0), 1)
    79.6
    """
    return resistance_ratio * (k_c + cold_temperature_c) - k_c


def resistance_at(resistance: float, temperature: float, wanted: float, k_c: float) -> float:
    """Resistance referred from one temperature to the wanted one (both in degC).

    >>> round(resistance_at(6.16, 45.0, 20.0, 235.0), 3)
    5.61
    """
    return resistance * (k_c + wanted) / (k_c + temperature)


def rise_k(
    hot_ohm: Quantity, cold_ohm: Quantity, cold_temperature: Quantity, ambient_temperature: Quantity, k_c: Quantity
) -> Quantity:
    """Temperature rise (K) over the ambient temperature at the end, which may have changed since the cold reading.

    `cold_temperature` is that of the winding at the cold reading, degC. Hot and cold readings of one meter share its
    gain, which cancels in their ratio: give them as the meter's quantities and the source names see to it.

    >>> from harness.nouns.quantity import exact, rectangular
    >>> gain = rectangular(1.0, 0.01, "1", "meter's gain")
    >>> cold, hot = (propagate(lambda g, ohm=ohm: ohm * g, "ohm", g=gain) for ohm in (3.42, 4.22))
    >>> rise = rise_k(hot, cold, exact(20.0, "degC"), exact(21.0, "degC"), exact(235.0, "degC"))
    >>> print(f"{rise.value:.2f} K, {rise.u:.1f}")
    58.65 K, 0.0
    """
    return propagate(
        lambda hot, cold, cold_c, ambient_c, k_c: temperature_c(hot / cold, cold_c, k_c) - ambient_c,
        "K",
        hot=hot_ohm,
        cold=cold_ohm,
        cold_c=cold_temperature,
        ambient_c=ambient_temperature,
        k_c=k_c,
    )


def conductor_k(spec: RigSpec, motor: str) -> float:
    """Reciprocal temperature coefficient of the winding's conductor; copper's where the rig file is silent."""
    return unstated.reciprocal_coefficient(spec, motor).value
