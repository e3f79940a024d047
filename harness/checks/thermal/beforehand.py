"""What the thermal check takes and does, and what instruments leave open of it, known before it is run."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.base.reference import REFERENCE_C
from harness.checks.strength import largest_current_a
from harness.checks.thermal.model import RUNS_AWAY, heating_modes
from harness.checks.thermal.procedure import (
    ALONE_BASE_S,
    BASE_S,
    COLD_VISITS,
    LEAST_S,
    RESERVE,
    STRONGER,
    longest_s,
    slow_time_s,
)
from harness.checks.thermal.stimulus import CURRENT_A, Stimulus, stimulus
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.nouns.quantity import Quantity, combine, propagate
from harness.nouns.reading import Reading
from harness.rigfile import RigSpec, unstated

LOOK_S = 3.0
"""For the looks of one visit to the cold motor (arbitrary: setting the current and four readings of each kind)."""
USUAL = 1.0
"""Of the rig file's slow time, how long both currents are on as a rule (arbitrary: it depends on what is asked)."""


def length(spec: RigSpec, motor: str) -> Duration:
    """How long: looking at the cold motor, then heating until what is asked is known, at most for the longest time."""
    looking_s = COLD_VISITS * LOOK_S + (COLD_VISITS - 1) * (BASE_S if boosted(spec, motor) else ALONE_BASE_S)
    most_s = longest_s(spec, motor)
    least_s = LEAST_S * (2.0 if boosted(spec, motor) else 1.0)
    usual_s = min(max(USUAL * slow_time_s(spec, motor), least_s), most_s)
    return Duration(least_s=looking_s + least_s, usual_s=looking_s + usual_s, most_s=looking_s + most_s)


def boosted(spec: RigSpec, motor: str) -> bool:
    """Whether the rig's limits allow a stronger current first."""
    return largest_current_a(spec, motor).value >= STRONGER * CURRENT_A


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """Two constant currents through two phases, one after the other; the shaft drawn by at most half a turn of them."""
    given = stimulus(spec, declared, motor)
    entry, heating_s = spec.motor[motor], longest_s(spec, motor)
    rise_k, needs = final_rise(spec, motor, given)
    k = unstated.reciprocal_coefficient(spec, motor).value
    hotter = 1.0 + (rise_k or 0.0) / (k + REFERENCE_C)
    squares = (given.boost_a**2 + given.current_a**2) / 2.0  # the stronger one for half of the longest time, at most
    return Effort(
        duration=length(spec, motor),
        phase_current_a=given.boost_a,
        travel_rad=math.pi / entry.pole_pairs,
        energy_j=2.0 * entry.resistance_ohm.high * hotter * squares * heating_s,
        rise_k=rise_k,
        rise_needs=needs,
    )


def final_rise(spec: RigSpec, motor: str, given: Stimulus) -> tuple[float | None, tuple[str, ...]]:
    """The model's highest rise of the heated windings, K; or what the rig file must state for it.

    The stronger current leaves the housing below where the other one takes it, and the windings above it by its square.
    """
    entry, of = spec.motor[motor], f"motor.{motor}.thermal"
    thermal = entry.thermal
    if thermal is None:
        return None, (of,)
    stated = {
        f"{of}.winding_to_housing_k_w": thermal.winding_to_housing_k_w,
        f"{of}.housing_to_ambient_k_w": thermal.housing_to_ambient_k_w,
        f"{of}.winding_capacity_j_k": thermal.winding_capacity_j_k,
        f"{of}.housing_capacity_j_k": thermal.housing_capacity_j_k,
    }
    if missing := tuple(key for key, value in stated.items() if value is None):
        return None, missing
    winding_k_w, housing_k_w, winding_j_k, housing_j_k = (value.value for value in stated.values() if value is not None)
    modes = heating_modes(
        entry.resistance_ohm.value,
        winding_k_w,
        housing_k_w,
        winding_j_k,
        housing_j_k,
        conductor_k=unstated.reciprocal_coefficient(spec, motor).value,
        current_a=given.current_a,
    )
    if min(modes.times_s) <= 0.0:
        return None, (RUNS_AWAY,)
    more = (given.boost_a / given.current_a) ** 2 - 1.0
    limit_k = RESERVE * (spec.limits.winding_temperature_c - REFERENCE_C)  # where the stronger one is ended
    return max(modes.final_k, min(modes.final_k + more * modes.fast_rise_k, limit_k)), ()


def foreseen(spec: RigSpec, motor: str, expected: Mapping[str, Quantity]) -> Mapping[str, Quantity]:
    """What the meter, the supply and the thermometer make of the cold resistance."""
    name = f"{motor}.thermal.resistance"
    meters = [entry for entry in spec.instruments_of("multimeter") if spec.instrument[entry].is_at(motor)]
    supplies, thermometers = spec.instruments_of("supply"), spec.instruments_of("thermometer")
    if name not in expected or not (meters and supplies and thermometers):
        return {}
    meter, supply, thermometer = meters[0], supplies[0], thermometers[0]
    volts_accuracy = spec.instrument[meter].voltage_accuracy
    amperes_accuracy = spec.instrument[supply].current_accuracy
    kelvins_accuracy = spec.instrument[thermometer].temperature_accuracy
    if volts_accuracy is None or amperes_accuracy is None or kelvins_accuracy is None:
        return {}
    ohm = expected[name].value
    amplitude = 2.0 * ohm * CURRENT_A / spec.supply.voltage_v.value
    volts = Reading(name=meter, function="voltage", value=2.0 * ohm * CURRENT_A, unit="V", accuracy=volts_accuracy)
    supply_a = Reading(
        name=supply, function="current", value=amplitude * CURRENT_A, unit="A", accuracy=amperes_accuracy
    ).quantity()
    gain_only = {source: part for source, part in supply_a.budget.items() if not source.endswith("_offset")}
    k = unstated.reciprocal_coefficient(spec, motor).value
    room = Reading(
        name=thermometer, function="temperature", value=REFERENCE_C, unit="degC", accuracy=kelvins_accuracy
    ).quantity()
    read = propagate(
        lambda v, a, c: v * amplitude / (2.0 * a) * (k + REFERENCE_C) / (k + c),
        "ohm",
        v=volts.quantity(),
        a=combine(((1.0, Quantity(value=supply_a.value, unit="A", budget=gain_only)),), "A"),
        c=room,
    )
    return {name: read}
