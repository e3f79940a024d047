"""What stands in a formula for a value that the rig file does not state: usual, and as wide as it is unknown.

Never a silent zero: each names the missing key in the budget of whatever it enters, and what would shrink it. Where the
rig file states the value, it is that.
"""

from __future__ import annotations

from harness.base.reference import RECIPROCAL_COEFFICIENT_C
from harness.nouns.contract import OFFSET_LIMIT_RAD
from harness.nouns.quantity import Quantity, exact, rectangular
from harness.rigfile.arm import field_torque_n_m
from harness.rigfile.known import StatedValue
from harness.rigfile.spec import RigSpec

ON_SHARE = 0.2
"""Most of the winding's resistance that a switch in its way has (common practice, no source: one that has more takes
more heat than the motor's usual driver bears)."""
DEAD_TIME_S = 1e-6
"""The longest usual dead time, of an integrated stage (common practice, no source)."""
DECLARED_SHARE = 0.3
"""Half-width of a dead time as firmware declares it: a setting of the bridge, which adds its own delays (arbitrary)."""
PERIOD_SHARE = 0.01
"""Half-width of a loop period as firmware declares it: a board's clock without a crystal (from memory)."""
FLUX_PER_K = (-2.0e-3, -0.3e-3)
"""Of a magnet's flux, 1/K, ferrite to samarium-cobalt (from memory); sintered NdFeB lies between."""
CARRIER_HZ = 20e3
"""Carrier where neither rig file nor firmware tells one: just above what is heard (common practice, no source)."""
VISCOUS_SHARE = 0.5
"""Most of the braking of a shorted winding that a bearing's viscous friction is (arbitrary)."""
OWN_INERTIA_SHARE = 1.0 / 3.0
"""Most of m l^2 that an arm's inertia about its own centre of mass is: an even rod's (any textbook); a point's is 0."""
SOURCE_OHM = 0.5
"""Most of a battery's internal resistance with its leads (arbitrary: small packs)."""
CONDUCTOR = "copper"
"""Of nearly every small motor's winding (common practice, no source)."""
ECCENTRICITY_RAD = 0.02
"""The most that a sensor's magnet placed by hand bends a reading, once a turn (common practice, no source)."""
USUAL_COGGING = 0.015
"""Peak of a small motor's cogging over the torque of a field of COGGED_AMPLITUDE (common practice, no source)."""
COGGED_AMPLITUDE = 0.6
"""Of that field; the amplitude at which the stiffness check turns one."""
ROOM_HALF_K = 10.0
"""Half-width of a room about the reference temperature that nobody has read (arbitrary)."""


def on_resistance(spec: RigSpec, motor: str) -> Quantity:
    """Resistance of the one switch in a phase's way, ohm."""
    most = ON_SHARE * spec.motor[motor].resistance_ohm.value
    return _stated(spec.driver.on_resistance_ohm, "ohm") or _between(0.0, most, "ohm", "driver.on_resistance_ohm")


def dead_time(spec: RigSpec, declared_s: float | None) -> Quantity:
    """Dead time of the bridge, s; `declared_s`: what the firmware says of it, None where nobody asked."""
    key = "firmware.dead_time_s"
    if (stated := _stated(spec.firmware.dead_time_s, "s")) is not None:
        return stated
    if declared_s is None:
        return _between(0.0, DEAD_TIME_S, "s", key)
    return rectangular(declared_s, DECLARED_SHARE * declared_s, "s", "dead time declared", f"state {key}")


def loop_period(spec: RigSpec, declared_s: float) -> Quantity:
    """Period of the loop, s; `declared_s`: as the firmware declares it."""
    key = "firmware.loop_period_s"
    declared = rectangular(declared_s, PERIOD_SHARE * declared_s, "s", "loop period declared", f"state {key}")
    return _stated(spec.firmware.loop_period_s, "s") or declared


def flux_per_k(spec: RigSpec, motor: str) -> Quantity:
    """Of the flux, relative to that at 20 degC, 1/K."""
    thermal = spec.motor[motor].thermal
    stated = _stated(thermal.flux_per_k if thermal is not None else None, "1/K")
    return stated or _between(*FLUX_PER_K, "1/K", f"motor.{motor}.thermal.flux_per_k")


def reciprocal_coefficient(spec: RigSpec, motor: str) -> Quantity:
    """k of a winding's conductor, degC; a conductor that is not stated may be any of them."""
    thermal = spec.motor[motor].thermal
    if thermal is not None and thermal.conductor is not None:
        return exact(RECIPROCAL_COEFFICIENT_C[thermal.conductor], "degC")
    key, usual = f"motor.{motor}.thermal.conductor", RECIPROCAL_COEFFICIENT_C[CONDUCTOR]
    apart = max(abs(other - usual) for other in RECIPROCAL_COEFFICIENT_C.values())
    return rectangular(usual, apart, "degC", f"{key} not stated", f"state {key}")


def viscous_friction(spec: RigSpec, motor: str, braking_n_m_s: float) -> Quantity:
    """Viscous friction, N m s, beside a winding whose currents brake the shaft by `braking_n_m_s`."""
    stated = _stated(spec.motor[motor].viscous_friction_n_m_s, "N m s")
    return stated or _between(0.0, VISCOUS_SHARE * braking_n_m_s, "N m s", f"motor.{motor}.viscous_friction_n_m_s")


def own_inertia(spec: RigSpec, motor: str) -> Quantity:
    """Inertia of an arm about its own centre of mass, kg m2; exactly 0 without an arm of stated mass and length."""
    load = spec.motor[motor].load
    if load is None or load.mass_kg is None or load.length_m is None:
        return exact(0.0, "kg m2")
    most = OWN_INERTIA_SHARE * load.mass_kg.value * load.length_m.value**2
    stated = _stated(load.own_inertia_kg_m2, "kg m2")
    return stated or _between(0.0, most, "kg m2", f"motor.{motor}.load.own_inertia_kg_m2")


def source_resistance(spec: RigSpec) -> Quantity:
    """Internal resistance of what feeds the bridges, ohm; none of a supply instrument, which regulates."""
    stated = _stated(spec.supply.internal_resistance_ohm, "ohm")
    if stated is None and spec.instruments_of("supply"):
        return exact(0.0, "ohm")
    return stated or _between(0.0, SOURCE_OHM, "ohm", "supply.internal_resistance_ohm")


def eccentricity_rad(spec: RigSpec, motor: str) -> float:
    """The most that a sensor's reading is bent once a turn, rad."""
    stated = spec.motor[motor].sensor.eccentricity_rad
    return stated if stated is not None else ECCENTRICITY_RAD


def cogging_share(spec: RigSpec, motor: str) -> float:
    """Largest torque of cogging over that of a field of amplitude COGGED_AMPLITUDE: as stated, at its upper end."""
    stated, field_n_m = spec.motor[motor].cogging_n_m, field_torque_n_m(spec, motor, COGGED_AMPLITUDE)
    return USUAL_COGGING if stated is None or field_n_m is None else stated.high / field_n_m


def electrical_offset_u(spec: RigSpec, motor: str) -> float:
    """Standard uncertainty of where the firmware has electrical zero, electrical rad; further off no loop is closed."""
    stated = spec.motor[motor].electrical_offset_rad
    return stated.u if stated is not None else OFFSET_LIMIT_RAD / 3.0**0.5


def _stated(value: StatedValue | None, unit: str) -> Quantity | None:
    return value.quantity(unit) if value is not None else None


def _between(low: float, high: float, unit: str, key: str) -> Quantity:
    """Anywhere between two values."""
    return rectangular((low + high) / 2.0, (high - low) / 2.0, unit, f"{key} not stated", f"state {key}")
