"""Heating of a winding by a known current, and of the driver.

Two phases in series carry the current, a field that stands still, so that both are equally hot; resistance is the
multimeter's volts at the motor's terminals over the phase current, so that driver and leads are out of it.

Nothing is waited for: a few short looks before the heating say how warm the motor still is and how it cools. A stronger
current brings the housing near its end, CURRENT_A then shows how far that was right, and the heating stops when what is
asked of it is known well enough, or after the longest time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from harness.base.errors import MeasurementError
from harness.base.reference import REFERENCE_C
from harness.checks.thermal.enough import long_enough
from harness.checks.thermal.heating import RAMP_S, HeatingReading, HeatingService
from harness.checks.thermal.heating_curve import HeatingCurve
from harness.checks.thermal.stimulus import CURRENT_A, Stimulus
from harness.corrections.resistance import conductor_k, temperature_c
from harness.nouns.observation import Column, Condition, Conditions, Observation
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

COLD_VISITS, COLD_LOOKS = 5, 4
"""How often the cold winding is looked at before the heating, and looks each time (arbitrary)."""
BASE_S, ALONE_BASE_S = 16.0, 60.0
"""From one visit to the next: together as long as lets a small motor cool by a seventh of what it still has, or, where
no stronger current is allowed, by a third (arbitrary)."""
STRONGER = 1.15
"""A current less strong than this many times CURRENT_A tells nothing apart (arbitrary)."""
RESERVE = 0.85
"""Of the way from the room to the winding's limit that the stronger current may heat it (arbitrary)."""
REACHED = 0.95
"""Share of its final rise to which the stronger current brings the housing."""
FAST_S, FAST_EVERY_S, SLOW_EVERY_S = 80.0, 2.5, 5.0
"""Looks are as near as this for so long after each change of current, then less near."""
IDLE_S = 45.0
"""After each change of current the idle bridge is read once more: a small bridge has warmed by then (arbitrary)."""
CHECK_S, LEAST_S = 20.0, 60.0
"""How often it is asked whether this will do, and from when on at one current (arbitrary)."""
HOT_SHARE = 1.3
"""Of the resistance of a cold winding, which the duties must still drive (arbitrary: 75 K of copper)."""
USUAL_SLOW_S = 600.0
LENGTH = 2.5
"""Longest record in slow time constants of the rig file."""
SHORTEST_S, LONGEST_S = 900.0, 5400.0
"""The longest time is never less, and never more, than this."""
DRIVER_READINGS = 8

COLUMNS = (("t", "s"), ("volts", "V"), ("supply", "A"), ("difference", "1"))


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Look at the cold motor, heat it by the stronger current, then by CURRENT_A until that will do.

    Raises MeasurementError where the current cannot be set, MissingCapability, StoppedByBoard.
    """
    declared, spec = rig.declared[motor], rig.spec
    dead_s = spec.firmware.dead_time_s.value if spec.firmware.dead_time_s is not None else declared.dead_time_s
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    fixed = {"dead_time_s": dead_s, "carrier_hz": carrier_hz, "current_a": stimulus.current_a}
    with HeatingService(rig, motor, dead_s * carrier_hz, stimulus.current_a) as heating:
        run = Heating(rig, motor, heating, 2.0 * dead_s * carrier_hz, fixed)
        run.look_cold(stimulus)
        run.heat(stimulus)
        run.end()
    observation = run.observation()
    rig.keep(observation)
    return [observation]


class Heating:
    """One heating under way: what was read so far."""

    def __init__(self, rig: Rig, motor: str, service: HeatingService, dead: float, fixed: Conditions) -> None:
        self.rig, self.motor, self._service, self._dead, self._fixed = rig, motor, service, dead, fixed
        self._readings: list[HeatingReading] = []
        self._idle: list[tuple[float, float]] = []
        self._room: list[tuple[float, float]] = []
        self._driver: list[tuple[float, float]] = []
        self._began_s = 0.0
        self._earlier_k = 0.0
        """What the first look still had of earlier heat, as its cooling tells."""
        self._longest_s = longest_s(rig.spec, motor)

    # --- parts of it ---------------------------------------------------------------------------------

    def look_cold(self, stimulus: Stimulus) -> None:
        """The bridge idle, room and driver cold, and looks at the winding with the current off between them."""
        service = self._service
        self._idle += service.find_idle()
        self._read_room()
        self._read_driver(DRIVER_READINGS)
        difference = service.find_current()
        apart_s = BASE_S if self._boost(stimulus, difference) > 1.0 else ALONE_BASE_S
        begun_s = self.rig.clock.now_s()
        for number in range(COLD_VISITS):
            service.settle()
            for _ in range(COLD_LOOKS):
                self._look()
            if number + 1 == COLD_VISITS:
                break
            service.set(0.0)
            self.rig.progress("looking at the cold winding", 0.01 * number)
            service.wait(apart_s)
            self._idle += service.find_idle()
            self._read_driver(DRIVER_READINGS // 2)
            service.set(difference, RAMP_S)
        self._began_s = self._readings[-1].at_s
        self._earlier_k = self._cooled_k() * slow_time_s(self.rig.spec, self.motor) / (self._began_s - begun_s)

    def heat(self, stimulus: Stimulus) -> None:
        """The stronger current until the housing is where CURRENT_A will leave it, then CURRENT_A."""
        boost = self._boost(stimulus, self._service.difference)
        if boost > 1.0:
            self._set_current(boost * stimulus.current_a)
            self._hold(boost * stimulus.current_a, self._warm_enough, self._longest_s / 2.0, "heating quickly")
            self._look_idle(stimulus.current_a)
        self._hold(stimulus.current_a, self._will_do, self._longest_s, "heating")

    def end(self) -> None:
        """Driver, room and idle bridge, hot."""
        self._read_driver(DRIVER_READINGS)
        self._read_room()
        self._idle += self._service.find_idle()

    def observation(self) -> Observation:
        """What was read so far; t = 0 when the heating began."""

        def since(rows: list[tuple[float, float]]) -> Condition:
            return [[at_s - self._began_s, value] for at_s, value in rows]

        rows = [(reading.at_s - self._began_s, *reading[1:]) for reading in self._readings]
        conditions: dict[str, Condition] = {
            **self._fixed,
            "idle": since(self._idle),
            "duties": since(self._service.duties),
            "room": since(self._room),
            "driver": since(self._driver),
        }
        return Observation(
            name=f"{self.motor}.thermal.heating",
            columns=tuple(Column(name=column, unit=unit) for column, unit in COLUMNS),
            data=np.array(rows, dtype=[(column, "<f8") for column, _ in COLUMNS]),
            conditions=conditions,
        )

    # --- inside --------------------------------------------------------------------------------------

    def _hold(self, current_a: float, done: Callable[[], bool], longest_s: float, words: str) -> None:
        """Look again and again at this current until it is done, or `longest_s` after the heating began."""
        from_s = self.rig.clock.now_s()
        ask_s, idle_s, count = from_s + LEAST_S, from_s + IDLE_S, 0
        while True:
            self._look()
            now_s = self.rig.clock.now_s()
            self._check_winding()
            if count % 5 == 0:
                at_s = now_s - self._began_s
                self.rig.progress(words, 0.05 + 0.95 * at_s / self._longest_s, count=f"{at_s:.0f} s")
            stronger = current_a > STRONGER * CURRENT_A
            if now_s - self._began_s > longest_s or (stronger and self._near_limit()):
                return
            if now_s >= ask_s:
                ask_s = now_s + CHECK_S
                if done():
                    return
            count += 1
            every_s = FAST_EVERY_S if now_s - from_s < FAST_S else SLOW_EVERY_S
            if now_s >= idle_s:
                idle_s, now_s = math.inf, self._look_idle(current_a)
            else:
                self._service.set(self._wanted(current_a))
            self._service.wait(every_s - (self.rig.clock.now_s() - now_s))

    def _near_limit(self) -> bool:
        limit_c, room_c = self.rig.spec.limits.winding_temperature_c, self._room[0][1]
        return self._winding_c() > room_c + RESERVE * (limit_c - room_c)

    def _warm_enough(self) -> bool:
        """Whether the housing is where CURRENT_A will leave it."""
        self._read_driver(DRIVER_READINGS // 2)
        try:
            curve = HeatingCurve(self.observation(), self.rig.spec, self.motor)
        except MeasurementError:
            return False
        return curve.share_reached() >= REACHED

    def _will_do(self) -> bool:
        self._read_driver(DRIVER_READINGS // 2)
        self._read_room()
        return long_enough(self.observation(), self.rig.spec, self.motor)

    def _boost(self, stimulus: Stimulus, difference: float) -> float:
        """How much stronger the first current is than the second; 1 where duties or a limit forbid it."""
        allowed = min(stimulus.boost_a / stimulus.current_a, self._service.most(HOT_SHARE * difference))
        return allowed if allowed >= STRONGER else 1.0

    def _set_current(self, current_a: float) -> None:
        self._service.set(self._wanted(current_a), RAMP_S)
        self._service.settle()

    def _look_idle(self, current_a: float) -> float:
        """The idle bridge, as warm as it is now, and then this current; when it was there, s."""
        self._idle += self._service.find_idle()
        self._set_current(current_a)
        return self.rig.clock.now_s()

    def _wanted(self, current_a: float) -> float:
        """Difference of duties for a current, by the last look."""
        last = self._readings[-1]
        return self._dead + (last.difference - self._dead) * current_a / self._service.current_a(last)

    def _look(self) -> None:
        self._readings.append(self._service.look())

    def _cooled_k(self) -> float:
        """By how much the winding cooled from the first visit to the last, K; 0 where it did not."""
        first, last = (
            float(np.mean([look.volts_v / self._service.current_a(look) for look in looks]))
            for looks in (self._readings[:COLD_LOOKS], self._readings[-COLD_LOOKS:])
        )
        k = conductor_k(self.rig.spec, self.motor)
        return max(0.0, (first / last - 1.0) * (k + self._room[0][1]))

    def _winding_c(self) -> float:
        """The winding, degC: from the first look, which had cooled so far, or by the rig file, whichever is hotter."""
        first, last = (r.volts_v / self._service.current_a(r) for r in (self._readings[0], self._readings[-1]))
        k, stated = conductor_k(self.rig.spec, self.motor), self.rig.spec.motor[self.motor].resistance_ohm.high
        by_file_c = temperature_c(abs(last) / 2.0 / stated, REFERENCE_C, k)
        return max(temperature_c(last / first, self._room[0][1] + self._earlier_k, k), by_file_c)

    def _check_winding(self) -> None:
        self.rig.check_limits(winding_temperature_c=self._winding_c())

    def _read_driver(self, count: int) -> None:
        for _ in range(count):
            if (celsius := self._service.driver_c()) is not None:
                self._driver.append((self.rig.clock.now_s(), celsius))

    def _read_room(self) -> None:
        """The thermometer's reading, mean of four, degC."""
        if self.rig.thermometer is None:
            raise MeasurementError("thermal rise needs a thermometer")
        celsius = math.fsum(self.rig.thermometer.measure_temperature().value for _ in range(4)) / 4.0
        self._room.append((self.rig.clock.now_s(), celsius))


def slow_time_s(spec: RigSpec, motor: str) -> float:
    """The slow time of a motor by the rig file, s; a usual one's where it does not tell."""
    thermal = spec.motor[motor].thermal
    if thermal is None or not (
        thermal.housing_to_ambient_k_w and thermal.winding_capacity_j_k and thermal.housing_capacity_j_k
    ):
        return USUAL_SLOW_S
    capacity_j_k = thermal.winding_capacity_j_k.value + thermal.housing_capacity_j_k.value
    return thermal.housing_to_ambient_k_w.value * capacity_j_k


def longest_s(spec: RigSpec, motor: str) -> float:
    """The longest that a motor is heated, by its slow time in the rig file, s."""
    return min(max(LENGTH * slow_time_s(spec, motor), SHORTEST_S), LONGEST_S)
