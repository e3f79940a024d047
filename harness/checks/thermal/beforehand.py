"""What the thermal check takes and does, and what instruments leave open of it, known before it is run."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.base.reference import REFERENCE_C
from harness.checks.thermal.model import heating_modes
from harness.checks.thermal.procedure import COLD_TRIES, sample_times
from harness.checks.thermal.stimulus import COLD_WAIT_S, CURRENT_A, stimulus
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.nouns.quantity import Quantity, combine, propagate
from harness.nouns.reading import Reading
from harness.rigfile import RigSpec, unstated

LEAST_WAITS, USUAL_WAITS = 1, 3
"""Between two looks at whether it is cold: two looks at least; as a rule the checks before have warmed it a little
(arbitrary)."""
LAST_WAIT = 0.5
"""Of such a wait, after the last look."""


def length(spec: RigSpec, motor: str) -> Duration:
    """How long: waiting until it is cold, then heating for as long as the rig file's slow time asks."""
    heating_s = sample_times(spec, motor)[-1]

    def after(waits: int) -> float:
        return (waits + LAST_WAIT) * COLD_WAIT_S + heating_s

    return Duration(least_s=after(LEAST_WAITS), usual_s=after(USUAL_WAITS), most_s=after(COLD_TRIES - 1))


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """A constant current through two phases until the motor is warm; the shaft drawn by at most half a turn of it."""
    current_a = stimulus(spec, declared, motor).current_a
    entry, seconds = spec.motor[motor], sample_times(spec, motor)[-1]
    rise_k, needs = final_rise(spec, motor, current_a)
    k = unstated.reciprocal_coefficient(spec, motor).value
    hotter = 1.0 + (rise_k or 0.0) / (k + REFERENCE_C)
    return Effort(
        duration=length(spec, motor),
        phase_current_a=current_a,
        travel_rad=math.pi / entry.pole_pairs,
        energy_j=2.0 * entry.resistance_ohm.high * hotter * current_a**2 * seconds,
        rise_k=rise_k,
        rise_needs=needs,
    )


def final_rise(spec: RigSpec, motor: str, current_a: float) -> tuple[float | None, tuple[str, ...]]:
    """The model's final rise of the heated windings, K; or what the rig file must state for it."""
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
        current_a=current_a,
    )
    return (modes.final_k, ()) if min(modes.times_s) > 0.0 else (None, ("a motor that this current does not overheat",))


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
