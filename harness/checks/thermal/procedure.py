"""Heating of a winding at constant current, begun cold, and of the driver.

Two phases in series carry the current, a field that stands still, so that both are equally hot; resistance is the
multimeter's volts at the motor's terminals over the phase current, so that driver and leads are out of it. The heating
begins when two readings COLD_WAIT_S apart agreed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.thermal.heating import RAMP_S, HeatingReading, HeatingService
from harness.checks.thermal.stimulus import COLD_AGREE, COLD_WAIT_S, Stimulus
from harness.corrections.resistance import conductor_k, temperature_c
from harness.nouns.observation import Column, Conditions, Observation
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

COLD_TRIES = 15
SETTLE_S = 1.0
"""From the current's being up to the first sample: the shaft has come to rest (arbitrary)."""
FAST_S, FAST_EVERY_S = 80.0, 2.5
SLOW_SAMPLES = 50
USUAL_SLOW_S = 600.0
LENGTH = 2.5
"""Length of the record in slow time constants of the rig file."""
SHORTEST_S, LONGEST_S = 900.0, 5400.0

COLUMNS = (("t", "s"), ("volts", "V"), ("supply", "A"), ("difference", "1"))


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Wait until the motor is cold, then heat it at constant current for some slow time constants.

    Raises MeasurementError where the current cannot be set, MissingCapability, StoppedByBoard.
    """
    declared = rig.declared[motor]
    spec = rig.spec
    dead_s = spec.firmware.dead_time_s.value if spec.firmware.dead_time_s is not None else declared.dead_time_s
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    fixed = {"dead_time_s": dead_s, "carrier_hz": carrier_hz, "current_a": stimulus.current_a}
    cold = _wait_until_cold(rig, motor, fixed)
    return [cold, _heat(rig, motor, fixed, float(cold.data["difference"][-1]))]


def _wait_until_cold(rig: Rig, motor: str, fixed: Mapping[str, float]) -> Observation:
    """Short readings of the resistance, COLD_WAIT_S apart with the phases off, until two agree."""
    dead_share = fixed["dead_time_s"] * fixed["carrier_hz"]
    current_a = fixed["current_a"]
    readings: list[HeatingReading] = []
    resistances: list[float] = []
    idle: list[float] = []
    for number in range(COLD_TRIES):
        rig.progress("waiting until it is cold", 0.3 * number / COLD_TRIES)
        with HeatingService(rig, motor, dead_share, current_a) as heating:
            idle = heating.find_idle()
            heating.find_current()
            several = [heating.read() for _ in range(4)]
            readings += several
            resistances.append(float(np.mean([r.volts_v / 2.0 / heating.current_a(r) for r in several])))
        if number and abs(resistances[-1] / resistances[-2] - 1.0) < COLD_AGREE:
            break
        rig.clock.sleep_s(COLD_WAIT_S)
    else:
        raise MeasurementError(f"{motor}: not cold after {COLD_TRIES} readings {COLD_WAIT_S:g} s apart: let it cool")
    # The last reading itself has warmed the winding by some tenths of a kelvin, which leave in a minute or two.
    rig.clock.sleep_s(COLD_WAIT_S / 2.0)
    drift = resistances[-1] / resistances[-2] - 1.0
    return _kept(rig, f"{motor}.thermal.cold", readings, {**fixed, "idle_a": idle, "drift": drift})


def _heat(rig: Rig, motor: str, fixed: Mapping[str, float], difference: float) -> Observation:
    """The heating curve: volts, supply current and duties; room and driver cold and hot."""
    dead_share = fixed["dead_time_s"] * fixed["carrier_hz"]
    current_a = fixed["current_a"]
    readings: list[HeatingReading] = []
    with HeatingService(rig, motor, dead_share, current_a) as heating:
        idle = heating.find_idle()
        room_cold = _room(rig)
        driver_cold = [heating.driver_c() for _ in range(8)]
        heating.set(difference, RAMP_S)
        # I^2 along a straight ramp of the current makes a third of the heat of as long at full current.
        began_s = rig.clock.now_s() - RAMP_S / 3.0
        heating.wait(SETTLE_S)
        times = sample_times(rig.spec, motor)
        needed: list[tuple[float, float]] = []
        for number, at in enumerate(times):
            heating.wait(began_s + at - rig.clock.now_s())
            reading = heating.read()
            readings.append(reading._replace(at_s=reading.at_s - began_s))
            _check_winding(rig, motor, heating, readings, room_cold)
            if number % 5 == 0:
                rig.progress("heating", 0.3 + 0.7 * at / times[-1], count=f"{at:.0f} s")
            needed.append(
                (
                    reading.at_s - began_s,
                    2.0 * dead_share + (reading.difference - 2.0 * dead_share) * current_a / heating.current_a(reading),
                )
            )
            ahead = (times[number + 1] - at) / 2.0 if number + 1 < len(times) else 0.0
            heating.set(_ahead(needed, ahead))
        heating.wait(SETTLE_S)
        driver_hot = [heating.driver_c() for _ in range(8)]
        room_hot = _room(rig)
    return _kept(
        rig,
        f"{motor}.thermal.heating",
        readings,
        {
            **fixed,
            "idle_a": idle,
            "room_c": [room_cold, room_hot],
            "driver_cold_c": [value for value in driver_cold if value is not None],
            "driver_hot_c": [value for value in driver_hot if value is not None],
        },
    )


def sample_times(spec: RigSpec, motor: str) -> list[float]:
    """When to read, s from the current's coming on: often while the winding warms, then ever less often."""
    thermal = spec.motor[motor].thermal
    slow = USUAL_SLOW_S
    if (
        thermal is not None
        and thermal.housing_to_ambient_k_w
        and thermal.winding_capacity_j_k
        and thermal.housing_capacity_j_k
    ):
        slow = thermal.housing_to_ambient_k_w.value * (
            thermal.winding_capacity_j_k.value + thermal.housing_capacity_j_k.value
        )
    end = min(max(LENGTH * 1.15 * slow, SHORTEST_S), LONGEST_S)  # the current's own feedback slows it by a sixth
    early = np.arange(RAMP_S + SETTLE_S, FAST_S, FAST_EVERY_S)
    return [float(at) for at in (*early, *np.geomspace(FAST_S, end, SLOW_SAMPLES))]


def _ahead(needed: Sequence[tuple[float, float]], ahead_s: float) -> float:
    """Difference of duties for the middle of the next wait: the last three, drawn on as a straight line.

    More of them would miss how the heating slows down.
    """
    if len(needed) < 3:
        return needed[-1][1]
    at, values = np.array(needed[-3:]).T
    slope, level = np.polyfit(at - at[-1], values, 1)
    return float(level + slope * ahead_s)


def _check_winding(
    rig: Rig, motor: str, heating: HeatingService, readings: Sequence[HeatingReading], room_c: float
) -> None:
    first, last = (r.volts_v / heating.current_a(r) for r in (readings[0], readings[-1]))
    rig.check_limits(winding_temperature_c=temperature_c(last / first, room_c, conductor_k(rig.spec, motor)))


def _room(rig: Rig) -> float:
    """The thermometer's reading, mean of four, degC."""
    if rig.thermometer is None:
        raise MeasurementError("thermal rise needs a thermometer")
    return float(np.mean([rig.thermometer.measure_temperature().value for _ in range(4)]))


def _kept(rig: Rig, name: str, readings: Sequence[HeatingReading], conditions: Conditions) -> Observation:
    data = np.array([tuple(r) for r in readings], dtype=[(column, "<f8") for column, _ in COLUMNS])
    columns = tuple(Column(name=column, unit=unit) for column, unit in COLUMNS)
    observation = Observation(name=name, columns=columns, data=data, conditions=conditions)
    rig.keep(observation)
    return observation
