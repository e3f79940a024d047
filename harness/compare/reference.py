"""Values of a record referred to 20 degC and the nominal supply, so that two records can be compared.

A discharging battery moves stiffness by 12 %, a room 10 K warmer by 4 %: neither is the board. The measurements of
torque and stiffness refer themselves to 20 degC already (harness.measure); what is left to do is in FOLLOWS:

    referred = value * (nominal / supply)^exponent * (1 - per_k * (room - 20 degC))

Exponent and coefficient have half-widths of their own. They cost nothing at the reference and grow with the
distance from it, so that a quantity of which nobody knows how it follows is told less well there, not wrongly.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from harness.base.errors import MeasurementError, RecordError, RigFileError
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, propagate, rectangular
from harness.nouns.results import Measurement
from harness.record import Record
from harness.rigfile import RigSpec, loads

REFERENCE_C = 20.0
FARTHEST = 0.25
"""Relative distance of the supply from nominal beyond which nothing is referred. Arbitrary: a battery moves by half."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Follows:
    """How a quantity follows supply voltage (exponent) and room (relative, 1/K), each with a half-width."""

    supply: float = 0.0
    supply_half: float = 0.0
    per_k: float = 0.0
    per_k_half: float = 0.0
    why: str = ""


TORQUE = Follows(supply=1.0, why="torque at a stated amplitude goes with the voltage behind it; at 20 degC as measured")
FREE = Follows(why="neither voltage nor temperature enters it")
CURRENT = Follows(why="measured at, or referred to, a stated current in a room of 20 degC")
FOLLOWS: Mapping[str, Follows] = {
    "stiffness.open_loop": TORQUE,
    "stiffness.closed_loop": TORQUE,
    "stiffness.slip_torque": TORQUE,
    "stiffness.clip_torque": TORQUE,
    "stiffness.ratio": Follows(why="voltage and temperature cancel in it"),
    "stiffness.torque_per_ampere": Follows(why="at 20 degC as measured; a voltage enters only as current"),
    "stiffness.friction": Follows(per_k_half=0.01, why="a torque; grease thins by up to 1 % a kelvin (arbitrary)"),
    "stiffness.supply_voltage": Follows(why="is the reference itself, and compared as it was read"),
    "step.natural_frequency": Follows(
        supply=0.4, supply_half=0.1,
        why="root of the loop's stiffness, of which the arm has up to 0.4 as its own; at 20 degC as measured",
    ),
    "step.rise_time": Follows(
        supply=-0.4, supply_half=0.1, per_k=0.0025, per_k_half=0.001,
        why="inverse of the natural frequency, as measured warm or cold: stiffness falls by 0.5 % a kelvin",
    ),
    "step.large_rise_time": Follows(
        supply=-0.4, supply_half=0.4, per_k=0.0025, per_k_half=0.0025, why="between a frequency and a clipped torque"
    ),
    "step.overshoot": Follows(supply_half=0.6, per_k_half=0.005, why="friction over stiffness, weakly (wide guess)"),
    "step.large_overshoot": Follows(supply_half=0.6, per_k_half=0.005, why="as overshoot"),
    "step.decay": Follows(supply_half=3.0, per_k_half=0.02, why="what delay takes grows with frequency (wide guess)"),
    "step.delay": Follows(supply_half=0.3, why="counted in time, the onset by the frequency to a small part"),
    "step.settling_time": Follows(supply_half=1.0, per_k_half=0.01, why="jumps by half cycles (wide guess)"),
    "step.steady_state_error": Follows(
        supply=-1.0, supply_half=1.0, per_k=0.005, per_k_half=0.01, why="friction over stiffness, anywhere inside"
    ),
    "step.stability_margin": Follows(
        supply=-1.0, supply_half=1.0, per_k=0.005, per_k_half=0.005, why="inverse of the loop's stiffness"
    ),
    "step.loop_period": FREE,
    "step.loop_jitter": FREE,
    "commutation.step_spread": Follows(supply=-1.0, supply_half=1.0, why="friction over the field's torque"),
    "thermal.resistance": Follows(why="at 20 degC as measured"),
    "thermal.rise": CURRENT,
    "thermal.fast_rise": CURRENT,
    "thermal.fast_time": CURRENT,
    "thermal.slow_time": CURRENT,
    "thermal.driver_rise": CURRENT,
    "together.supply_sag": Follows(supply=1.0, supply_half=1.0, why="current over a source's resistance"),
}  # fmt: skip
"""By `check.quantity`; wide guesses are arbitrary and cover what a supply 10 % low was seen to do on the demo."""
DEFLECTION = Follows(supply=-1.0, supply_half=1.0, per_k=0.005, per_k_half=0.005, why="torque over stiffness")


def follows(name: str) -> Follows:
    """How a quantity follows supply and room, by its full name; angles, counts and patterns follow neither."""
    dotted = Name(name)
    if dotted.check == "together" and dotted.quantity.endswith("_deflection_change"):
        return DEFLECTION
    return FOLLOWS.get(dotted.suffix, FREE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the bench was fed with and how warm its room was, while a record was made."""

    supply_v: Mapping[str, Quantity]
    """By motor, as read while it held; under "" what the rig file states."""
    room_c: Mapping[str, Quantity]
    """By what an observation's name begins with (`gate.step`); under "" for the rest."""
    nominal_v: float

    def supply_of(self, name: str) -> Quantity:
        """Supply voltage that a quantity was measured at."""
        return self.supply_v.get(Name(name).motor, self.supply_v[""])

    def room_of(self, name: str) -> Quantity:
        """Room temperature that a quantity was measured in."""
        return self.room_c.get(Name(name).prefix, self.room_c[""])


def surroundings(record: Record) -> Surroundings:
    """Supply and room of a record. Raises RecordError where its rig file or an observation cannot be read."""
    try:
        spec = _spec_of(str(record.content["rig"]["text"]))
    except (KeyError, TypeError, RigFileError) as error:
        raise RecordError(f"{record.folder}: cannot be compared: its rig file does not read: {error}") from error
    supply = {"": spec.supply.voltage_v.quantity("V")}
    for result in record.results:
        name = Name(result.name)
        if isinstance(result, Measurement) and name.suffix == "stiffness.supply_voltage":
            supply[name.motor] = result.quantity
    try:
        rooms = _rooms(spec, record.content["observations"])
    except (KeyError, TypeError, AttributeError) as error:
        raise RecordError(f"{record.folder}: cannot be compared: one of its observations is damaged") from error
    return Surroundings(
        supply_v=supply,
        room_c=rooms,
        nominal_v=spec.supply.voltage_v.value,
    )


@lru_cache(maxsize=8)
def _spec_of(text: str) -> RigSpec:
    # Most records of a rig hold the same text, and to check it takes longer than all else here.
    return loads(text.encode(), "rig.toml")


def referred(name: str, quantity: Quantity, around: Surroundings, nominal_v: float) -> Quantity:
    """A measured quantity referred to 20 degC and `nominal_v`.

    Raises MeasurementError where the supply was so far from it that nothing can be said.
    """
    rule = follows(name)
    result = quantity
    if rule.supply or rule.supply_half:
        volts = around.supply_of(name)
        if abs(volts.value / nominal_v - 1.0) > FARTHEST:
            raise MeasurementError(
                f"the supply stood at {volts.value:.3g} V, more than {FARTHEST:.0%} from the {nominal_v:.3g} V "
                "that it is to be referred to"
            )
        power = rectangular(rule.supply, rule.supply_half, "1", f"how {Name(name).suffix} follows the supply")
        result = propagate(
            lambda value, volts, power: value * math.exp(power * math.log(nominal_v / volts)),
            quantity.unit, value=result, volts=volts, power=power,
        )  # fmt: skip
    if rule.per_k or rule.per_k_half:
        slope = rectangular(rule.per_k, rule.per_k_half, "1/K", f"how {Name(name).suffix} follows the room")
        result = propagate(
            lambda value, room_c, slope: value * (1.0 - slope * (room_c - REFERENCE_C)),
            quantity.unit, value=result, room_c=around.room_of(name), slope=slope,
        )  # fmt: skip
    return result


def _rooms(spec: RigSpec, observations: Iterable[Mapping[str, object]]) -> dict[str, Quantity]:
    """Rooms as read, by check; otherwise as the rig file states it, otherwise 20 +- 10 degC (arbitrary)."""
    stated = spec.room.temperature_c.quantity("degC") if spec.room is not None else None
    found = {"": stated or rectangular(REFERENCE_C, 10.0, "degC", "room.temperature_c")}
    names = spec.instruments_of("thermometer")
    if not names:
        return found
    name = next(iter(names))
    accuracy = spec.instrument[name].temperature_accuracy
    for observation in observations:
        reading = _reading(observation)
        if reading is not None:
            half = accuracy.half_width(reading) if accuracy is not None else 1.0
            read = rectangular(reading, half, "degC", f"instrument.{name}.temperature_offset")
            found.setdefault(Name(observation["name"]).prefix, read)
            found[""] = read
    return found


def _reading(observation: Mapping[str, object] | Observation) -> float | None:
    """The room's temperature that stands with an observation, the first where there are several."""
    conditions = observation["conditions"] if isinstance(observation, Mapping) else observation.conditions
    reading = conditions.get("room_c") if isinstance(conditions, Mapping) else None
    if isinstance(reading, list) and reading:
        reading = reading[0]
    return float(reading) if isinstance(reading, int | float) else None
