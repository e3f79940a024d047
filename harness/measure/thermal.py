"""Thermal rise of a winding by its resistance, at constant current, and of the driver by its own sensor.

Two phases in series carry CURRENT_A, a field that stands still, so that both are equally hot; resistance is the
multimeter's volts at the motor's terminals over the phase current, so that driver and leads are out of it.
Temperature from resistance as in IEC 60034-1, 8.6.2. The cold reading is the heating curve drawn back to t = 0,
begun when two readings COLD_WAIT_S apart agreed. Rises are referred to exactly CURRENT_A and a room of 20 degC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.bench.reading import Reading as InstrumentReading
from harness.errors import MeasurementError
from harness.measure.exponential import Approach, approach
from harness.measure.heating import CURRENT_A, RAMP_S, Heating, Reading, phase_current
from harness.measure.resistance import reciprocal_coefficient_c, temperature_c
from harness.observation import Column, Observation
from harness.quantity import Quantity, combine, propagate, rectangular, repeats, scaled, shifted
from harness.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

Array = NDArray[np.float64]
NEEDS = ("supply", "multimeter", "thermometer")
PLANNED = ("resistance", "rise", "fast_rise", "fast_time", "slow_time", "driver_rise")
REFERENCE_C = 20.0
COLD_WAIT_S = 300.0
COLD_TRIES = 15
COLD_AGREE = 6e-4
"""Two cold readings agree when their resistances differ by less, relative: 0.15 K of copper, three times the
noise of a reading with a supply of usual resolution (common practice, no source)."""
SETTLE_S = 1.0
"""From the current's being up to the first sample: the shaft has come to rest (arbitrary)."""
FAST_S, FAST_EVERY_S = 80.0, 2.0
SLOW_SAMPLES = 60
USUAL_SLOW_S = 600.0
LENGTH = 3.0
"""Length of the record in slow time constants of the rig file."""
SHORTEST_S, LONGEST_S = 900.0, 5400.0
RAMP_DOUBT_S = 0.05
"""Half-width of the instant at which heating began (arbitrary: a sixth of the ramp)."""
FAST_RISE_DOUBT, FAST_TIME_DOUBT = 0.01, 0.02
"""Relative half-widths. The third phase, not heated, gives a second fast term with nearly the same time; two terms
stand for three (from the closed form over the tolerances of a rig file: 0.6 % of the rise, 0.3 % of the time)."""
DRIVER_STEP_K = 0.1
"""Half-width of the driver's temperature: a step of a board's 12 bit converter at 10 mV/K (handbook)."""

COLUMNS = (("t", "s"), ("volts", "V"), ("supply", "A"), ("difference", "1"))


def procedure(rig: Rig, motor: str) -> list[Observation]:
    """Wait until the motor is cold, then heat it at constant current for some slow time constants.

    Raises MeasurementError where the current cannot be set, MissingCapability, StoppedByBoard.
    """
    declared = rig.declared[motor]
    spec = rig.spec
    dead_s = spec.firmware.dead_time_s.value if spec.firmware.dead_time_s is not None else declared.dead_time_s
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    fixed: dict[str, object] = {"dead_time_s": dead_s, "carrier_hz": carrier_hz, "current_a": CURRENT_A}
    cold = _wait_until_cold(rig, motor, fixed)
    return [cold, _heat(rig, motor, fixed, float(cold.data["difference"][-1]))]


def _wait_until_cold(rig: Rig, motor: str, fixed: Mapping[str, object]) -> Observation:
    """Short looks at the resistance, COLD_WAIT_S apart with the phases off, until two agree."""
    dead_share = float(str(fixed["dead_time_s"])) * float(str(fixed["carrier_hz"]))
    looks: list[Reading] = []
    resistances: list[float] = []
    idle: list[float] = []
    for number in range(COLD_TRIES):
        rig.progress("waiting until it is cold", 0.3 * number / COLD_TRIES)
        with Heating(rig, motor, dead_share) as heating:
            idle = heating.find_idle()
            heating.find_current()
            several = [heating.read() for _ in range(4)]
            looks += several
            resistances.append(float(np.mean([r.volts_v / 2.0 / heating.current_a(r) for r in several])))
        if number and abs(resistances[-1] / resistances[-2] - 1.0) < COLD_AGREE:
            break
        rig.clock.sleep_s(COLD_WAIT_S)
    else:
        raise MeasurementError(f"{motor}: not cold after {COLD_TRIES} readings {COLD_WAIT_S:g} s apart: let it cool")
    # The last look itself has warmed the winding by some tenths of a kelvin, which leave in a minute or two.
    rig.clock.sleep_s(COLD_WAIT_S / 2.0)
    drift = resistances[-1] / resistances[-2] - 1.0
    return _kept(rig, f"{motor}.thermal.cold", looks, {**fixed, "idle_a": idle, "drift": drift})


def _heat(rig: Rig, motor: str, fixed: Mapping[str, object], difference: float) -> Observation:
    """The heating curve: volts, supply current and duties; room and driver cold and hot."""
    dead_share = float(str(fixed["dead_time_s"])) * float(str(fixed["carrier_hz"]))
    readings: list[Reading] = []
    with Heating(rig, motor, dead_share) as heating:
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
            if number % 5 == 0:
                rig.progress(f"heating, {at:.0f} s", 0.3 + 0.7 * at / times[-1])
                _check_winding(rig, motor, heating, readings, room_cold)
            needed.append((reading.at_s - began_s, 2.0 * dead_share + (reading.difference - 2.0 * dead_share)
                           * CURRENT_A / heating.current_a(reading)))
            ahead = (times[number + 1] - at) / 2.0 if number + 1 < len(times) else 0.0
            heating.set(_ahead(needed, ahead))
        heating.wait(SETTLE_S)
        driver_hot = [heating.driver_c() for _ in range(8)]
        room_hot = _room(rig)
    return _kept(rig, f"{motor}.thermal.heating", readings, {
        **fixed, "idle_a": idle, "room_c": [room_cold, room_hot],
        "driver_cold_c": [value for value in driver_cold if value is not None],
        "driver_hot_c": [value for value in driver_hot if value is not None],
    })


def sample_times(spec: RigSpec, motor: str) -> list[float]:
    """When to read, s from the current's coming on: often while the winding warms, then ever less often."""
    thermal = spec.motor[motor].thermal
    slow = USUAL_SLOW_S
    if thermal is not None and thermal.housing_to_ambient_k_w and thermal.winding_capacity_j_k \
            and thermal.housing_capacity_j_k:
        slow = thermal.housing_to_ambient_k_w.value * (
            thermal.winding_capacity_j_k.value + thermal.housing_capacity_j_k.value
        )
    end = min(max(LENGTH * 1.15 * slow, SHORTEST_S), LONGEST_S)  # the current's own feedback slows it by a sixth
    early = np.arange(RAMP_S + SETTLE_S, FAST_S, FAST_EVERY_S)
    return [float(at) for at in (*early, *np.geomspace(FAST_S, end, SLOW_SAMPLES))]


def _ahead(needed: Sequence[tuple[float, float]], ahead_s: float) -> float:
    """Difference of duties for the middle of the next wait: the last few, drawn on as a straight line."""
    if len(needed) < 6:
        return needed[-1][1]
    at, values = np.array(needed[-6:]).T
    slope, level = np.polyfit(at - at[-1], values, 1)
    return float(level + slope * ahead_s)


def _check_winding(rig: Rig, motor: str, heating: Heating, readings: Sequence[Reading], room_c: float) -> None:
    first, last = (r.volts_v / heating.current_a(r) for r in (readings[0], readings[-1]))
    rig.check_limits(winding_temperature_c=temperature_c(last / first, room_c, _k(rig.spec, motor)))


def _room(rig: Rig) -> float:
    """The thermometer's reading, mean of four, degC."""
    if rig.thermometer is None:
        raise MeasurementError("thermal rise needs a thermometer")
    return float(np.mean([rig.thermometer.measure_temperature().value for _ in range(4)]))


def _kept(rig: Rig, name: str, readings: Sequence[Reading], conditions: Mapping[str, object]) -> Observation:
    data = np.array([tuple(r) for r in readings], dtype=[(column, "<f8") for column, _ in COLUMNS])
    columns = tuple(Column(name=column, unit=unit) for column, unit in COLUMNS)
    observation = Observation(name=name, columns=columns, data=data, conditions=conditions)
    rig.keep(observation)
    return observation


# --- analysis ---------------------------------------------------------------------------------------------


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The planned quantities of one motor from its cold looks and its heating curve."""
    cold, heating = (_named(observations, f"{motor}.thermal.{part}") for part in ("cold", "heating"))
    found = _Heated(heating, cold, spec, motor)
    curve = found.curve
    note = curve.why
    results: list[Measurement | Unmeasured] = [
        _measurement(motor, "resistance", found.resistance(), heating.name, ""),
        _measurement(motor, "rise", found.rise(), heating.name, note),
    ]
    if curve.fast_change is None or curve.fast_time is None:
        reason = f"{note}: the fast term cannot be parted from the slow one"
        results += [Unmeasured(name=f"{motor}.thermal.{part}", outcome=Outcome.CANNOT_TELL, reason=reason)
                    for part in ("fast_rise", "fast_time")]
    else:
        fast_time = _doubted(curve.fast_time, FAST_TIME_DOUBT, f"{motor} third phase, time")
        results += [_measurement(motor, "fast_rise", found.fast_rise(curve.fast_change), heating.name, note),
                    _measurement(motor, "fast_time", fast_time, heating.name, note)]
    results.append(_measurement(motor, "slow_time", found.slow_time(), heating.name, note))
    driver = found.driver_rise()
    if driver is None:
        results.append(Unmeasured(name=f"{motor}.thermal.driver_rise", outcome=Outcome.NOT_RUN,
                                  reason="the firmware has no driver_temperature(): add it (drive contract)"))
    else:
        results.append(_measurement(motor, "driver_rise", driver, heating.name, ""))
    return results


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Rise of the winding over its cold state against time."""
    cold, heating = (_named(observations, f"{motor}.thermal.{part}") for part in ("cold", "heating"))
    found = _Heated(heating, cold, spec, motor)
    times, rise = heating.si("t"), (found.ohm / found.curve.start.value - 1.0) * (found.k_c + found.room_cold.value)
    return [Curve(name=f"{motor}.thermal.rise", title=f"Rise of the winding of {motor} at {CURRENT_A:g} A",
                  x_label="time", x_unit="s", y_label="rise over the cold winding", y_unit="K",
                  series={"measured": tuple(zip(times.tolist(), rise.tolist(), strict=True))})]


class _Heated:
    """One heating curve as resistance, with what its instruments and the dead time may get wrong."""

    def __init__(self, heating: Observation, cold: Observation, spec: RigSpec, motor: str) -> None:
        self.spec, self.motor, self.source = spec, motor, heating.name
        self.k_c = _k(spec, motor)
        self._conditions = conditions = heating.conditions
        self._idle = [float(value) for value in _numbers(conditions["idle_a"])]
        carrier_hz = float(str(conditions["carrier_hz"]))
        known = spec.firmware.dead_time_s
        dead_s = float(str(conditions["dead_time_s"]))
        dead = known.quantity("s") if known is not None else rectangular(
            dead_s, 0.3 * dead_s, "s", "dead time declared", "state firmware.dead_time_s")
        self._dead_share = scaled(dead, carrier_hz, "1")
        self._volts, self._supply, self._difference = (heating.si(name) for name in ("volts", "supply", "difference"))
        self.current = phase_current_of(self._supply, float(np.mean(self._idle)), self._difference,
                                        self._dead_share.value)
        if not np.all(self.current > 0.0):
            raise MeasurementError(f"{motor}: no phase current while heating")
        self.ohm = self._volts / (2.0 * self.current)
        self.curve: Approach = approach(heating.si("t"), self.ohm, "ohm", self.source)
        name, accuracy = next((name, entry.temperature_accuracy) for name, entry in spec.instrument.items()
                              if entry.class_ == "thermometer")
        if accuracy is None:
            raise MeasurementError(f"instrument.{name}: a thermometer needs its accuracy")
        self.room_cold, self.room_hot = (
            InstrumentReading(name=name, function="temperature", value=float(value), unit="degC",
                              accuracy=accuracy).quantity()
            for value in _numbers(conditions["room_c"])
        )
        # What is left of earlier heat decays with the housing: as much again as it fell between two looks.
        left = 2.0 * abs(float(str(cold.conditions["drift"]))) * (self.k_c + self.room_cold.value)
        self._warm = rectangular(0.0, left, "K", f"{motor} not wholly cold", "let it cool for longer")
        self._start = self._with_instruments(self.curve.start, 0)
        self._final = self._with_instruments(self.curve.final, -1)

    def _phase_current(self, place: int) -> Quantity:
        """Phase current of one sample with its type B contributions, A."""
        supply_name, entry = next((n, e) for n, e in self.spec.instrument.items() if e.class_ == "supply")
        if entry.current_accuracy is None:
            raise MeasurementError(f"instrument.{supply_name}: a supply needs its current_accuracy")
        accuracy = entry.current_accuracy

        def read(value: float) -> Quantity:
            return InstrumentReading(name=supply_name, function="current", value=value, unit="A",
                                     accuracy=accuracy).quantity()

        mean = repeats(self._idle, "A", f"{self.source} idle current")
        idle = combine(((1.0, read(mean.value)), (1.0, combine(((1.0, mean), (-1.0, _bare(mean))), "A"))), "A")
        difference = float(self._difference[place])
        return propagate(
            lambda supply_a, idle_a, dead_share: phase_current(supply_a, idle_a, difference, dead_share), "A",
            supply_a=read(float(self._supply[place])), idle_a=idle, dead_share=self._dead_share,
        )

    def _with_instruments(self, fitted: Quantity, place: int) -> Quantity:
        """A level of the fit with the type B contributions at a sample near it; cold and hot share their sources."""
        name, accuracy = next((n, e.voltage_accuracy) for n, e in self.spec.instrument.items()
                              if e.class_ == "multimeter" and e.across is not None
                              and e.across[0].split(".")[0] == self.motor)
        if accuracy is None:
            raise MeasurementError(f"instrument.{name}: a multimeter needs its voltage_accuracy")
        volts = InstrumentReading(name=name, function="voltage", value=float(self._volts[place]), unit="V",
                                  accuracy=accuracy).quantity()
        ohm = propagate(lambda v, i: v / (2.0 * i), "ohm", v=volts, i=self._phase_current(place))
        return combine(((1.0, fitted), (1.0, ohm), (-1.0, _bare(ohm))), "ohm")

    def _refer(self, rise: Quantity, hot_ratio: float) -> Quantity:
        """To exactly CURRENT_A and a room of 20 degC: rise goes as I^2 R, and R grows with the rise and the room."""
        times = np.gradient(np.arange(self.current.size, dtype=np.float64))
        mean = float(np.average(self.current, weights=times))
        last = self._phase_current(-1)
        current = combine(((1.0, last),), "A")
        return propagate(
            lambda k, i, room_c: k * (CURRENT_A / (i * mean / last.value)) ** (2.0 * hot_ratio)
            * (self.k_c + REFERENCE_C) / (self.k_c + room_c),
            "K", k=rise, i=current, room_c=self.room_cold,
        )

    def resistance(self) -> Quantity:
        """Per phase, at 20 degC."""
        cold = combine(((1.0, self.room_cold), (1.0, self._warm)), "degC")
        began = rectangular(0.0, RAMP_DOUBT_S * self._first_slope(), "ohm", f"{self.source} instant of the start")
        return propagate(lambda ohm, at_c: ohm * (self.k_c + REFERENCE_C) / (self.k_c + at_c), "ohm",
                         ohm=shifted(self._start, began=began), at_c=cold)

    def _first_slope(self) -> float:
        """ohm/s at the start."""
        curve = self.curve
        fast = 0.0 if curve.fast_change is None or curve.fast_time is None else (
            curve.fast_change.value / curve.fast_time.value)
        return curve.slow_change.value / curve.slow_time.value + fast

    def rise(self) -> Quantity:
        """Final rise over the room."""
        began = rectangular(0.0, RAMP_DOUBT_S * self._first_slope(), "ohm", f"{self.source} instant of the start")
        raw = propagate(
            lambda hot, cold, cold_c, warm, room_c: temperature_c(hot / cold, cold_c + warm, self.k_c) - room_c, "K",
            hot=self._final, cold=shifted(self._start, began=began), cold_c=self.room_cold, warm=self._warm,
            room_c=self.room_hot,
        )
        return self._refer(raw, self._final.value / self._start.value)

    def fast_rise(self, change: Quantity) -> Quantity:
        """Part of the rise with the fast time."""
        raw = propagate(lambda ohm, cold, cold_c: ohm / cold * (self.k_c + cold_c), "K",
                        ohm=change, cold=self._start, cold_c=self.room_cold)
        began = rectangular(0.0, RAMP_DOUBT_S * self._first_slope() / self._start.value * (self.k_c + REFERENCE_C),
                            "K", f"{self.source} instant of the start")
        return _doubted(self._refer(shifted(raw, began=began), 1.0), FAST_RISE_DOUBT, f"{self.motor} third phase, rise")

    def slow_time(self) -> Quantity:
        """Slow time constant; at constant current it goes with the feedback of the hot resistance, I^2."""
        return _doubted(self.curve.slow_time, 0.002, f"{self.motor} current while heating")

    def driver_rise(self) -> Quantity | None:
        """Rise of the driver as the firmware reports it, change of room taken off; None if it reports none."""
        cold, hot = (_numbers(self._conditions[part]) for part in ("driver_cold_c", "driver_hot_c"))
        if len(cold) < 2 or len(hot) < 2:
            return None
        step = rectangular(0.0, DRIVER_STEP_K, "K", f"{self.motor} driver sensor's step", "a finer converter")
        raw = combine(((1.0, repeats(hot, "K", f"{self.source} driver hot")),
                       (-1.0, repeats(cold, "K", f"{self.source} driver cold")),
                       (-1.0, self.room_hot), (1.0, self.room_cold), (1.0, step)), "K")
        return propagate(lambda k, i: k * (CURRENT_A / i) ** 2, "K", k=raw, i=self._phase_current(-1))


def phase_current_of(supply_a: Array, idle_a: float, difference: Array, dead_share: float) -> Array:
    """Phase currents of many samples, A."""
    return np.asarray((supply_a - idle_a) / (difference - 2.0 * dead_share), dtype=np.float64)


def _k(spec: RigSpec, motor: str) -> float:
    """Reciprocal temperature coefficient of the winding's conductor; copper where the rig file is silent."""
    thermal = spec.motor[motor].thermal
    return reciprocal_coefficient_c((thermal.conductor if thermal is not None else None) or "copper")


def _bare(quantity: Quantity) -> Quantity:
    """The value without its budget."""
    return Quantity(value=quantity.value, unit=quantity.unit)


def _doubted(quantity: Quantity, relative: float, source: str) -> Quantity:
    """With a relative half-width of its own added."""
    return shifted(quantity, doubt=rectangular(0.0, abs(quantity.value) * relative, quantity.unit, source))


def _numbers(value: object) -> list[float]:
    return [float(entry) for entry in value] if isinstance(value, Sequence) else []


def _named(observations: Sequence[Observation], name: str) -> Observation:
    for observation in observations:
        if observation.name == name:
            return observation
    known = ", ".join(observation.name for observation in observations) or "none"
    raise MeasurementError(f"{name}: no such observation; there are {known}")


def _measurement(motor: str, part: str, quantity: Quantity, observation: str, note: str) -> Measurement:
    return Measurement(name=f"{motor}.thermal.{part}", quantity=quantity, observations=(observation,), note=note)
