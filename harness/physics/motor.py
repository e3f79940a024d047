"""Torque, flux and resistance of a three-phase magnet motor, and what a rig file says of one.

Torque = 1.5 p psi iq (P. C. Krause and others, Analysis of Electric Machinery; saliency left out), psi the peak
flux linkage of a phase. A field at amplitude and angle holds the rotor with T = Tmax sin(field - rotor), Tmax
at 90 electrical degrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from harness.nouns.quantity import Quantity
from harness.physics.drive import circuit_ohm, phase_volts
from harness.rigfile import RigSpec
from harness.rigfile.known import StatedValue


def torque_per_ampere(pole_pairs: float, flux_v_s: float) -> float:
    """Torque per ampere of phase current peak, N m/A, of a rotor with so many pole pairs.

    >>> round(torque_per_ampere(7, 0.0125), 5)
    0.13125
    """
    return 1.5 * pole_pairs * flux_v_s


def winding_braking(pole_pairs: float, flux_v_s: float, winding_ohm: float, on_ohm: float) -> float:
    """Torque per speed that a shorted winding of so many pole pairs takes from a shaft, N m s (any machine textbook).

    Kt^2 / (1.5 (R + Ron)).

    >>> round(winding_braking(10, 6.6e-3, 4.6, 0.25), 6)
    0.001347
    """
    return torque_per_ampere(pole_pairs, flux_v_s) ** 2 / (1.5 * circuit_ohm(winding_ohm, on_ohm))


def peak_torque(
    pole_pairs: float, flux_v_s: float, amplitude: float, supply_v: float, winding_ohm: float, on_ohm: float = 0.0,
    dead_time_s: float = 0.0, carrier_hz: float = 0.0,
) -> float:  # fmt: skip
    """Tmax of a held field, N m: torque per ampere times the volts over winding and switch.

    `amplitude` 1 is half the supply; dead time takes volts once a carrier period. A rotor with so many pole pairs.

    >>> round(peak_torque(7, 0.0125, 0.6, 12.0, winding_ohm=2.0), 6)
    0.23625
    """
    volts = phase_volts(amplitude, supply_v, dead_time_s, carrier_hz)
    return torque_per_ampere(pole_pairs, flux_v_s) * volts / circuit_ohm(winding_ohm, on_ohm)


def electrical_angle(direction: int, pole_pairs: float, shaft_rad: float, offset_rad: float) -> float:
    """Electrical angle of a shaft reading, rad, not wrapped: direction (+1 or -1) x pole pairs x reading + offset.

    >>> round(math.degrees(electrical_angle(-1, 11, math.radians(10.0), 0.0)), 9)
    -110.0
    """
    return direction * pole_pairs * shaft_rad + offset_rad


def arm_torque(mass_kg: float, length_m: float, gravity_m_s2: float, from_hanging_rad: float) -> float:
    """Torque of a gravity arm on the shaft, N m: it pulls back to hanging.

    >>> round(arm_torque(0.17, 0.03, 9.81, math.pi / 2.0), 5)
    -0.05003
    """
    return -mass_kg * gravity_m_s2 * length_m * math.sin(from_hanging_rad)


def entries(spec: RigSpec, motor: str) -> dict[str, tuple[str, StatedValue | None, str]]:
    """Model inputs of a motor: short name -> (dotted key, what the rig file says or None, unit)."""
    m, thermal, load = spec.motor[motor], spec.motor[motor].thermal, spec.motor[motor].load
    of = f"motor.{motor}"
    return {
        "supply_v": ("supply.voltage_v", spec.supply.voltage_v, "V"),
        "on_ohm": ("driver.on_resistance_ohm", spec.driver.on_resistance_ohm, "ohm"),
        "dead_time_s": ("firmware.dead_time_s", spec.firmware.dead_time_s, "s"),
        "gain_per_rad": ("firmware.gain_per_rad", spec.firmware.gain_per_rad, "1/rad"),
        "amplitude_limit": ("firmware.amplitude_limit", spec.firmware.amplitude_limit, "1"),
        "winding_ohm": (f"{of}.resistance_ohm", m.resistance_ohm, "ohm"),
        "inductance_h": (f"{of}.inductance_h", m.inductance_h, "H"),
        "flux_v_s": (f"{of}.flux_linkage_v_s", m.flux_linkage_v_s, "V s"),
        "flux_per_k": (f"{of}.thermal.flux_per_k", thermal.flux_per_k if thermal else None, "1/K"),
        "coulomb_n_m": (f"{of}.coulomb_friction_n_m", m.coulomb_friction_n_m, "N m"),
        "viscous_n_m_s": (f"{of}.viscous_friction_n_m_s", m.viscous_friction_n_m_s, "N m s"),
        "rotor_inertia_kg_m2": (f"{of}.rotor_inertia_kg_m2", m.rotor_inertia_kg_m2, "kg m2"),
        "mass_kg": (f"{of}.load.mass_kg", load.mass_kg if load else None, "kg"),
        "length_m": (f"{of}.load.length_m", load.length_m if load else None, "m"),
        "arm_inertia_kg_m2": (f"{of}.load.own_inertia_kg_m2", load.own_inertia_kg_m2 if load else None, "kg m2"),
    }


def known(spec: RigSpec, motor: str, *names: str) -> dict[str, Quantity]:
    """The model inputs of these names that the rig file states, as quantities; what it does not state is left out."""
    table = entries(spec, motor)
    return {name: table[name][1].quantity(table[name][2]) for name in names if table[name][1] is not None}  # type: ignore[union-attr]


def needs(spec: RigSpec, motor: str, names: Iterable[str]) -> tuple[str, ...]:
    """Keys of the rig file that are missing of the model inputs of these names."""
    table = entries(spec, motor)
    return tuple(table[name][0] for name in names if table[name][1] is None)
