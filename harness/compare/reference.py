"""Values of a record referred to 20 degC and the nominal supply, so that two records can be compared.

A discharging battery moves stiffness by 12 %, a room 10 K warmer by 4 %: neither is the board. The measurements of
torque and stiffness refer themselves to 20 degC already; what is left to do each check states of its quantities
(`Dependence`):

    referred = value * (nominal / supply)^exponent * (1 - per_k * (room - 20 degC))

Exponent and coefficient have half-widths of their own. They cost nothing at the reference and grow with the
distance from it, so that a quantity of which nobody knows how it follows is told less well there, not wrongly.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.base.errors import MeasurementError
from harness.base.reference import REFERENCE_C
from harness.checks.catalogue import measurand_of
from harness.nouns.measurand import Dependence
from harness.nouns.names import Name
from harness.nouns.observation import Description
from harness.nouns.quantity import Quantity, propagate, rectangular
from harness.nouns.results import Measurement
from harness.record import Record
from harness.rigfile import RigSpec, unstated

FARTHEST = 0.25
"""Relative distance of the supply from nominal beyond which nothing is referred. Arbitrary: a battery moves by half."""


def dependence_of(name: str) -> Dependence:
    """How a quantity follows supply and room, by its full name, as its check states it.

    Raises MeasurementError for a quantity that no check of this version measures: nobody knows how it follows.
    """
    measurand = measurand_of(name)
    if measurand is None:
        raise MeasurementError(f"{name}: no check of this version measures it: how it follows the room is not known")
    return measurand.follows


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the bench was fed with and how warm its room was, while a record was made."""

    supply_v: Mapping[str, Quantity]
    """By motor, as read while it held; under "" what the rig file states."""
    room_c: Mapping[str, Quantity]
    """By what an observation's name begins with (`leaf.step`); under "" for the rest."""
    nominal_v: float

    def supply_of(self, name: str) -> Quantity:
        """Supply voltage that a quantity was measured at."""
        return self.supply_v.get(Name(name).motor, self.supply_v[""])

    def room_of(self, name: str) -> Quantity:
        """Room temperature that a quantity was measured in."""
        return self.room_c.get(Name(name).prefix, self.room_c[""])


def surroundings(record: Record) -> Surroundings:
    """Supply and room of a record. Raises RecordError where its rig file or an observation cannot be read."""
    spec = record.spec
    supply = {"": spec.supply.voltage_v.quantity("V")}
    for result in record.results:
        name = Name(result.name)
        if isinstance(result, Measurement) and name.suffix == "stiffness.supply_voltage":
            supply[name.motor] = result.quantity
    return Surroundings(
        supply_v=supply,
        room_c=_rooms(spec, record.observation_entries),
        nominal_v=spec.supply.voltage_v.value,
    )


def referred(name: str, quantity: Quantity, around: Surroundings, nominal_v: float) -> Quantity:
    """A measured quantity referred to 20 degC and `nominal_v`.

    Raises MeasurementError where the supply was so far from it that nothing can be said.
    """
    rule = dependence_of(name)
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


def _rooms(spec: RigSpec, observations: Iterable[Description]) -> dict[str, Quantity]:
    """Rooms as read, by check; otherwise as the rig file states it, otherwise any usual one."""
    stated = spec.room.temperature_c.quantity("degC") if spec.room is not None else None
    rooms = {"": stated or rectangular(REFERENCE_C, unstated.ROOM_HALF_K, "degC", "room.temperature_c")}
    names = spec.instruments_of("thermometer")
    if not names:
        return rooms
    name = next(iter(names))
    accuracy = spec.instrument[name].temperature_accuracy
    for observation in observations:
        reading = _reading(observation)
        if reading is not None:
            half = accuracy.half_width(reading) if accuracy is not None else 1.0
            read = rectangular(reading, half, "degC", f"instrument.{name}.temperature_offset")
            rooms.setdefault(Name(observation.name).prefix, read)
            rooms[""] = read
    return rooms


def _reading(observation: Description) -> float | None:
    """The room's temperature that stands with an observation, the first where there are several."""
    if not observation.states("room_c"):
        return None
    if isinstance(observation.conditions["room_c"], list):
        return next(iter(observation.numbers("room_c")), None)
    return observation.number("room_c")
