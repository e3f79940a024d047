"""What a rig file lets expect of the commutation check: sense, pole pairs, offset, where the arm hangs, the sensor.

Electrical angle = direction x pole pairs x reading + offset; a field holds the rotor where the electrical angle
is the field's, less what the arm draws it behind: asin(arm / Tmax) electrical.
"""

from __future__ import annotations

import math

from harness.checks.commutation.stimulus import READINGS
from harness.nouns.contract import Declared
from harness.nouns.quantity import Quantity, exact, propagate, rectangular
from harness.nouns.results import Expectation
from harness.physics.drive import circuit_ohm
from harness.physics.motor import known
from harness.rigfile import RigSpec, unstated
from harness.rigfile.known import StatedValue

ALIKE = 0.01
"""Half-width to which the three phases of one motor are alike (common practice, no source)."""


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Expectations of `motor`'s commutation quantities; one that the rig file is silent about says what it needs.

    But for the sense: where the rig file is silent, it must be the one that the firmware's loop is built for.
    """
    entry, sensor = spec.motor[motor], spec.motor[motor].sensor
    of, check = f"motor.{motor}", f"{motor}.commutation"

    def stated(name: str, value: Quantity | None, key: str, model: str) -> Expectation:
        if value is None:
            return Expectation(name=f"{check}.{name}", needs=(key,), model=model)
        return Expectation(name=f"{check}.{name}", quantity=value, model=model, inputs={key: value.value})

    def from_file(entry: StatedValue | None, unit: str) -> Quantity | None:
        return entry.quantity(unit) if entry is not None else None

    pairs = f"{of}.pole_pairs"
    offset = from_file(entry.electrical_offset_rad, "rad")
    noise = from_file(sensor.noise_rad, "rad")
    hang = from_file(entry.stated_hang_rad, "rad")
    return [
        stated(
            "direction",
            exact(float(entry.direction or declared.direction), "1"),
            f"{of}.direction" if entry.direction else f"the firmware's declare({motor}), direction",
            "a field in the order A, B, C turns the reading this way",
        ),
        stated("pole_pairs", exact(float(entry.pole_pairs), "1"), pairs, "electrical turns in a turn of the shaft"),
        stated(
            "phase_order",
            None if offset is None else exact(0.0, "1"),
            f"{of}.electrical_offset_rad",
            "phases connected as the rig file says",
        ),
        stated("step_angle", exact(step_angle(entry.pole_pairs), "rad"), pairs, "a turn over 6 x pole pairs"),
        Expectation(
            name=f"{check}.step_spread",
            needs=("how evenly the magnets sit, which no rig file states",),
            model="evenly spaced but for the magnets and the sensor's error",
        ),
        stated("offset", offset, f"{of}.electrical_offset_rad", "electrical angle at reading zero, mean of the turn"),
        stated("hang_reading", hang, f"{of}.load.hang_reading_rad", "reading at which the arm pulls neither way"),
        stated(
            "weakest_vector",
            rectangular(1.0, ALIKE, "1", f"{of} phases alike"),
            pairs,
            "all vectors carry the same current; phases alike to 1 % (common practice, no source)",
        ),
        stated("sensor_noise", noise, f"{of}.sensor.noise_rad", "standard deviation at rest on the declared path"),
        stated(
            "distinct_codes",
            codes(noise, sensor.bits) if noise is not None else None,
            f"{of}.sensor.noise_rad",
            f"codes met by normal noise in {READINGS} readings, averaged over the place in a code",
        ),
        stated("sensor_age", from_file(sensor.age_s, "s"), f"{of}.sensor.age_s", "from the sensor to the firmware"),
        reading_lag(spec, motor),
        stated("impossible_ages", exact(0.0, "1"), f"{of}.sensor.age_s", "a reading takes time, and is over"),
    ]


def reading_lag(spec: RigSpec, motor: str) -> Expectation:
    """Age of the reading, and L / R of the winding behind the voltage that turns the field."""
    age = spec.motor[motor].sensor.age_s
    inputs = known(spec, motor, "inductance_h", "winding_ohm")
    of, model = f"motor.{motor}", "age of the reading, and L / R by which the currents lag behind the field's voltage"
    keys = {f"{of}.sensor.age_s": age, f"{of}.inductance_h": spec.motor[motor].inductance_h}
    name, lacking = f"{motor}.commutation.reading_lag", tuple(key for key, value in keys.items() if value is None)
    if age is None or lacking:
        return Expectation(name=name, needs=lacking, model=model)
    lag = propagate(
        lambda age_s, henry, winding, on: age_s + henry / circuit_ohm(winding, on),
        "s",
        age_s=age.quantity("s"),
        henry=inputs["inductance_h"],
        winding=inputs["winding_ohm"],
        on=unstated.on_resistance(spec, motor),
    )
    return Expectation(name=name, quantity=lag, model=model, inputs={key: v.value for key, v in keys.items() if v})


def step_angle(pole_pairs: float) -> float:
    """Shaft angle of a step of 60 electrical degrees, rad."""
    return math.tau / (6.0 * pole_pairs)


def codes(noise_rad: Quantity, bits: int) -> Quantity:
    """Expected number of distinct codes among READINGS readings at rest with normal noise, `bits` a turn."""
    return propagate(lambda noise: _codes(noise, math.tau / (1 << bits)), "1", noise=noise_rad)


def _codes(noise_rad: float, code_rad: float, places: int = 24) -> float:
    """Sum over the codes of the probability that at least one reading falls in it, mean over where the shaft rests."""
    if noise_rad <= 0.0:
        return 1.0
    reach = math.ceil(7.0 * noise_rad / code_rad) + 1
    root = noise_rad * math.sqrt(2.0)

    def below(edge_rad: float) -> float:
        return 0.5 * (1.0 + math.erf(edge_rad / root))

    total = 0.0
    for place in range(places):
        at = ((place + 0.5) / places - 0.5) * code_rad
        for code in range(-reach, reach + 1):
            p = below((code + 0.5) * code_rad - at) - below((code - 0.5) * code_rad - at)
            total += 1.0 - (1.0 - p) ** READINGS
    return total / places
