"""Temperature of a winding and a magnet that no sensor sees, from the room and from what has heated them.

An estimate, with an honest width: short holds heat a winding by a few kelvins, and copper changes 0.39 % a kelvin.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.base.reference import REFERENCE_C
from harness.nouns.quantity import Quantity, combine, propagate, rectangular
from harness.rigfile import RigSpec, unstated

USUAL_HEATING = (3.0, 8.0, 12.0, 50.0)
"""K/W winding to housing and housing to ambient, J/K winding and housing, where a rig file gives none: a small
outer-rotor motor (common practice, no source)."""
STATED, UNSTATED = 0.25, 0.5
"""Relative half-widths of an estimated rise: by the rig file's thermal figures, as a data sheet has them, and by the
usual ones (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """Temperatures in degC at one time, as quantities with budget."""

    winding_c: Quantity
    magnet_c: Quantity


def room(spec: RigSpec, reading_c: float | None) -> Quantity:
    """The room: the thermometer's reading with its accuracy, else what the rig file says, else any usual one."""
    names = spec.instruments_of("thermometer")
    if reading_c is not None and names:
        name = next(iter(names))
        accuracy = spec.instrument[name].temperature_accuracy
        half = accuracy.half_width(reading_c) if accuracy is not None else 1.0
        return rectangular(reading_c, half, "degC", f"instrument.{name}.temperature_offset", "a better thermometer")
    if spec.room is not None:
        return spec.room.temperature_c.quantity("degC")
    return rectangular(
        REFERENCE_C, unstated.ROOM_HALF_K, "degC", "room temperature not stated", "state room.temperature_c"
    )


def estimate(
    spec: RigSpec, motor: str, room_c: Quantity, spells: Sequence[tuple[float, float]], before_k: float = 0.6
) -> Warmth:
    """Warmth after `spells` of (power in W, seconds), starting at the room's temperature.

    Two nodes, winding on housing on room, each spell solved to first order. `before_k` is the half-width for what
    earlier checks have left; the rise itself is known to STATED or UNSTATED of it.
    """
    entry = spec.motor[motor].thermal
    known = (
        None
        if entry is None
        else (
            entry.winding_to_housing_k_w,
            entry.housing_to_ambient_k_w,
            entry.winding_capacity_j_k,
            entry.housing_capacity_j_k,
        )
    )
    if known is not None and all(value is not None for value in known):
        r_wh, r_ha, c_w, c_h = (value.value for value in known if value is not None)
        share = STATED
    else:
        (r_wh, r_ha, c_w, c_h), share = USUAL_HEATING, UNSTATED
    across = housing = 0.0
    for power_w, seconds in spells:
        steady = power_w * r_wh
        across = steady + (across - steady) * math.exp(-seconds / (r_wh * c_w))
        end = power_w * r_ha
        housing = end + (housing - end) * math.exp(-seconds / (r_ha * c_h))
    rise = rectangular(across, share * across, "degC", f"heating of {motor}", "measure the winding, or wait longer")
    shell = rectangular(housing, share * housing + before_k, "degC", f"housing of {motor}", "let the motor cool first")
    magnet = combine(((1.0, room_c), (1.0, shell)), "degC")
    return Warmth(winding_c=combine(((1.0, magnet), (1.0, rise)), "degC"), magnet_c=magnet)


def to_reference(spec: RigSpec, motor: str, warmth: Warmth) -> Quantity:
    """Factor that refers a torque at given volts to 20 degC: colder copper carries more, colder magnets pull more."""
    winding = spec.motor[motor].resistance_ohm.value
    return propagate(
        lambda winding_c, magnet_c, flux_per_k, on_ohm, k: (
            (1.0 + winding / (winding + on_ohm) * (winding_c - REFERENCE_C) / (k + REFERENCE_C))
            / (1.0 + flux_per_k * (magnet_c - REFERENCE_C))
        ),
        "1",
        winding_c=warmth.winding_c,
        magnet_c=warmth.magnet_c,
        flux_per_k=unstated.flux_per_k(spec, motor),
        on_ohm=unstated.on_resistance(spec, motor),
        k=unstated.reciprocal_coefficient(spec, motor),
    )
