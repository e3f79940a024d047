"""Stiffness of a proportional position loop, and what a field that stands aside loses of its torque."""

from __future__ import annotations

import math
from functools import partial

from harness.nouns.quantity import Contribution, Quantity, propagate, scaled
from harness.physics.drive import circuit_ohm, dead_time_volts
from harness.physics.motor import known, torque_per_ampere
from harness.rigfile import RigSpec, unstated

OPEN = ("supply_v", "winding_ohm", "flux_v_s", "on_ohm", "dead_time_s")
"""Inputs of a held field's torque."""
LOOP = ("supply_v", "winding_ohm", "flux_v_s", "on_ohm", "gain_per_rad")
"""Inputs of a loop's stiffness."""


def proportional_n_m_rad(
    pole_pairs: int, *, supply_v: float, winding_ohm: float, flux_v_s: float, on_ohm: float, gain_per_rad: float
) -> float:
    """Stiffness of a proportional loop on a motor of `pole_pairs` whose field stands where it should, N m/rad.

    Kt g (U/2) / (R + Ron): the torque that an error of one radian asks for, outside the clip.

    >>> round(proportional_n_m_rad(7, supply_v=12.0, winding_ohm=5.6, flux_v_s=5e-3, on_ohm=0.4, gain_per_rad=6.0), 4)
    0.315
    """
    return torque_per_ampere(pole_pairs, flux_v_s) * gain_per_rad * supply_v / 2.0 / circuit_ohm(winding_ohm, on_ohm)


def loop_stiffness(spec: RigSpec, motor: str, pole_pairs: int) -> Quantity:
    """Stiffness of the proportional loop outside its dead zone on a motor of so many pole pairs, N m/rad."""
    inputs = known(spec, motor, *LOOP)
    return misaligned(spec, motor, propagate(partial(proportional_n_m_rad, pole_pairs), "N m/rad", **inputs))


def dead_zone(spec: RigSpec, motor: str, carrier_hz: float) -> Quantity:
    """Error of a loop below which dead time lets no current flow, rad; the rig file states gain, supply, dead time."""

    def error(dead_time_s: float, supply_v: float, gain_per_rad: float) -> float:
        return dead_time_volts(supply_v, dead_time_s, carrier_hz) / (gain_per_rad * supply_v / 2.0)

    return propagate(error, "rad", **known(spec, motor, "dead_time_s", "supply_v", "gain_per_rad"))


def misaligned(spec: RigSpec, motor: str, torque: Quantity) -> Quantity:
    """The torque that is left when the firmware's offset and the sensor's slow error turn the field aside.

    cos(e) has no first-order sensitivity at e = 0, so its mean 1 - <e^2>/2 and its spread are put in by hand: <e^2>
    from the offset's uncertainty and p times the eccentricity (arcsine, amplitude anywhere up to the stated one).
    """
    aside = spec.motor[motor].pole_pairs * unstated.eccentricity_rad(spec, motor)
    square = unstated.electrical_offset_u(spec, motor) ** 2 + aside**2 / 6.0
    factor = 1.0 - square / 2.0
    part = Contribution(u=torque.value * square / math.sqrt(2.0), remedy="find the electrical offset more closely")
    left = scaled(torque, factor, torque.unit)
    return Quantity(value=left.value, unit=left.unit, budget={**left.budget, f"alignment of {motor}": part})
