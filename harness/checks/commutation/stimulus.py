"""What commutation does to a motor: vectors and slow turns of a field, as strong as the rig's limits let it be."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.base.gravity import STANDARD_M_S2
from harness.checks.strength import largest_amplitude, require
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

VECTOR_RAD = math.tau / 6.0
AMPLITUDE = 0.6
"""The larger amplitude, at which the check turns the field; the smaller is half of it."""
LEAST_AMPLITUDE = 0.1
"""Below it friction and dead time decide where the shaft stands (arbitrary)."""
STEPS = 6
"""Vectors either way from hanging; half as many at half the amplitude, which carries half the arm."""
CARRIED = 0.75
"""Largest share of the field's torque that the arm may take (arbitrary: cogging and friction need the rest)."""
EDGE = 0.4
"""Of a sweep, speeding up and again slowing down: a sudden start would set the held arm swinging."""
READINGS = 256
"""Readings at rest of one run, among which distinct codes are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    amplitude: float
    steps: int
    """Vectors either way from hanging at that amplitude."""
    start: int | None
    """The vector (counted in steps of 60 degrees) that should hold the shaft nearest to hanging; None where the rig
    file does not tell, and the shaft is looked at first."""


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """From the rig file and the firmware's own limits. Raises MissingCapability where they allow too little."""
    amplitude, steps = strength(spec, motor, declared.max_static_duty)
    hang = spec.motor[motor].stated_hang_rad
    start = nearest_vector(spec, motor, hang.value) if hang is not None else None
    return Stimulus(amplitude=amplitude, steps=steps, start=start)


def strength(spec: RigSpec, motor: str, max_static_duty: float) -> tuple[float, int]:
    """Amplitude, and vectors either way, that current limits, duty limit and the arm allow, from the rig file.

    Raises MissingCapability where they allow less than LEAST_AMPLITUDE.
    """
    entry, volts = spec.motor[motor], spec.supply.voltage_v
    allowed = largest_amplitude(spec, motor, max_static_duty)
    require(allowed, LEAST_AMPLITUDE, "a field that turns the shaft")
    amplitude = min(AMPLITUDE, allowed.value)
    load, flux = entry.load, entry.flux_linkage_v_s
    if load is None or load.mass_kg is None or load.length_m is None or flux is None:
        return amplitude, STEPS
    on = spec.driver.on_resistance_ohm
    ohm = entry.resistance_ohm.value + (on.value if on is not None else 0.0)
    torque = 1.5 * entry.pole_pairs * flux.value * amplitude * volts.value / 2.0 / ohm
    arm = load.mass_kg.value * load.length_m.value * STANDARD_M_S2
    reach = math.asin(min(1.0, CARRIED * torque / arm)) * entry.pole_pairs / VECTOR_RAD
    return amplitude, max(3, min(STEPS, int(reach)))


def nearest_vector(spec: RigSpec, motor: str, hang_rad: float) -> int | None:
    """The vector (counted in steps of 60 degrees) that should hold the shaft nearest to a reading; None if unknown."""
    entry = spec.motor[motor]
    if entry.electrical_offset_rad is None:
        return None
    field = (entry.direction or 1) * entry.pole_pairs * hang_rad + entry.electrical_offset_rad.value
    return round(math.remainder(field, math.tau) / VECTOR_RAD)


def vectors_between(spec: RigSpec, declared: Declared, motor: str, drawn_rad: float, wanted_rad: float) -> int:
    """How many vectors on from the one that drew the shaft to one reading it should come nearest to another."""
    entry = spec.motor[motor]
    turned = math.remainder(wanted_rad - drawn_rad, math.tau)
    return round((entry.direction or declared.direction) * entry.pole_pairs * turned / VECTOR_RAD)
