"""What a heating curve says, with what its instruments, the dead time and the start may get wrong.

Resistance of every sample, two exponentials through it, and its ends as temperatures. Cold and hot share the
sources of their instruments, so that what cancels in a ratio is not counted.
"""

from __future__ import annotations

import math

import numpy as np

from harness.base.errors import MeasurementError
from harness.base.reference import REFERENCE_C
from harness.checks.thermal.stimulus import COLD_AGREE, COLD_WAIT_S, CURRENT_A
from harness.corrections.dead_time import dead_share, phase_current
from harness.corrections.resistance import resistance_at, rise_k
from harness.fits.exponential import Approach, approach
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, combine, propagate, rectangular, repeats, scaled, shifted
from harness.nouns.reading import Reading
from harness.rigfile import RigSpec, unstated

RAMP_DOUBT_S = 0.05
"""Half-width of the instant at which heating began (arbitrary: a sixth of the ramp)."""
FAST_RISE_SHORT, FAST_TIME_SHORT, SLOW_TIME_SHORT = 0.0045, 0.007, 0.0015
FAST_RISE_DOUBT, FAST_TIME_DOUBT, SLOW_TIME_DOUBT = 0.0025, 0.004, 0.0015
"""Relative correction and half-widths. The third phase, not heated, gives a second fast term with nearly the same
time; two terms stand for three. From the closed form at the times of the samples, over tolerances of 10 to 15 %:
0.2 to 0.7 % of the fast rise, 0.3 to 1.1 % of its time and 0.1 to 0.2 % of the slow time are missed. The slow time
has twice the width of that, for a current that is not quite the one that it is stated for."""
LOOK_K = 0.1
"""What one reading of the cold resistance leaves in a motor (arbitrary: two seconds of 3 W in 60 J/K)."""
DRIVER_STEP_K = 0.081
"""Step of the driver's temperature: a board's 12 bit converter of 3.3 V at 10 mV/K (handbook)."""


class HeatingCurve:
    """One heating curve as resistance, with what its instruments and the dead time may get wrong."""

    def __init__(self, heating: Observation, spec: RigSpec, motor: str) -> None:
        self.spec, self.motor, self.source = spec, motor, heating.name
        self.k = unstated.reciprocal_coefficient(spec, motor)
        self._heating = heating
        self._idle = heating.numbers("idle_a")
        self._dead_share = dead_share(spec, heating)
        volts, self._supply, self._difference = (heating.si(name) for name in ("volts", "supply", "difference"))
        if np.min(volts) < 0.0 < np.max(volts):
            raise MeasurementError(f"{motor}: the volts across it change their sign under a steady current")
        self.reversed = bool(volts[0] < 0.0)
        """Whether the multimeter sees the current the other way round than its terminals are named."""
        self._volts = np.abs(volts)
        self.current = np.asarray(
            (self._supply - float(np.mean(self._idle))) / (self._difference - 2.0 * self._dead_share.value),
            dtype=np.float64,
        )
        if not np.all(self.current > 0.0):
            raise MeasurementError(f"{motor}: no phase current while heating")
        self.ohm = self._volts / (2.0 * self.current)
        self.times_s = heating.si("t")
        self.curve: Approach = approach(self.times_s, self.ohm, "ohm", self.source)
        name = spec.instruments_of("thermometer")[0]
        accuracy = spec.instrument[name].temperature_accuracy
        if accuracy is None:
            raise MeasurementError(f"instrument.{name}: a thermometer needs its accuracy")
        self.room_cold, self.room_hot = (
            Reading(name=name, function="temperature", value=value, unit="degC", accuracy=accuracy).quantity()
            for value in heating.numbers("room_c")
        )
        left = most_left_k(self.k.value + self.room_cold.value, self.curve.slow_time.value)
        # Never colder than the room: half of the most, and as much either way.
        self._warm = rectangular(left / 2.0, left / 2.0, "K", f"{motor} not wholly cold", "let it cool for longer")
        self._start = self._with_instruments(self.curve.start, 0)
        self._final = self._with_instruments(self.curve.final, -1)

    def _phase_current(self, place: int) -> Quantity:
        """Phase current of one sample with its type B contributions, A."""
        supply_name = self.spec.instruments_of("supply")[0]
        accuracy = self.spec.instrument[supply_name].current_accuracy
        if accuracy is None:
            raise MeasurementError(f"instrument.{supply_name}: a supply needs its current_accuracy")

        def read(value: float) -> Quantity:
            return Reading(name=supply_name, function="current", value=value, unit="A", accuracy=accuracy).quantity()

        mean = repeats(self._idle, "A", f"{self.source} idle current")
        idle = combine(((1.0, read(mean.value)), (1.0, combine(((1.0, mean), (-1.0, _bare(mean))), "A"))), "A")
        difference = float(self._difference[place])
        return propagate(
            lambda supply_a, idle_a, dead_share: phase_current(supply_a, idle_a, difference, dead_share),
            "A",
            supply_a=read(float(self._supply[place])),
            idle_a=idle,
            dead_share=self._dead_share,
        )

    def _with_instruments(self, fitted: Quantity, place: int) -> Quantity:
        """A level of the fit with the type B contributions at a sample near it; cold and hot share their sources."""
        name, accuracy = next(
            (n, e.voltage_accuracy)
            for n, e in self.spec.instrument.items()
            if e.class_ == "multimeter" and e.is_at(self.motor)
        )
        if accuracy is None:
            raise MeasurementError(f"instrument.{name}: a multimeter needs its voltage_accuracy")
        volts = Reading(
            name=name, function="voltage", value=float(self._volts[place]), unit="V", accuracy=accuracy
        ).quantity()
        ohm = propagate(lambda v, i: v / (2.0 * i), "ohm", v=volts, i=self._phase_current(place))
        return combine(((1.0, fitted), (1.0, ohm), (-1.0, _bare(ohm))), "ohm")

    def _refer(self, rise: Quantity, hot_ratio: float) -> Quantity:
        """To exactly CURRENT_A and a room of 20 degC: rise goes as I^2 R, and R grows with the rise and the room."""
        mean = self._mean_current()
        last = self._phase_current(-1)
        return propagate(
            lambda rise, i, room_c, k: (
                rise * (CURRENT_A / (i * mean / last.value)) ** (2.0 * hot_ratio) * (k + REFERENCE_C) / (k + room_c)
            ),
            "K",
            rise=rise,
            i=last,
            room_c=self.room_cold,
            k=self.k,
        )

    def _mean_current(self) -> float:
        """What the hot end has felt, A: each wait's mean, weighed with what the housing still remembers of it.

        Duties stand still from one reading to the next while the resistance grows: a reading at the end of a wait is
        lower than its mean by half of what the resistance grew.
        """
        grown = np.diff(self.ohm) / self.ohm[1:]
        means = self.current[1:] * (1.0 + grown / 2.0)
        age = (self.times_s[-1] - self.times_s[1:]) / self.curve.slow_time.value
        return float(np.average(means, weights=np.diff(self.times_s) * np.exp(-age)))

    def resistance(self) -> Quantity:
        """Per phase, at 20 degC."""
        cold = combine(((1.0, self.room_cold), (1.0, self._warm)), "degC")
        began = rectangular(0.0, RAMP_DOUBT_S * self._first_slope(), "ohm", f"{self.source} instant of the start")
        return propagate(
            lambda ohm, at_c, k: resistance_at(ohm, at_c, REFERENCE_C, k),
            "ohm",
            ohm=shifted(self._start, began=began),
            at_c=cold,
            k=self.k,
        )

    def _first_slope(self) -> float:
        """ohm/s at the start."""
        curve = self.curve
        fast = (
            0.0
            if curve.fast_change is None or curve.fast_time is None
            else (curve.fast_change.value / curve.fast_time.value)
        )
        return curve.slow_change.value / curve.slow_time.value + fast

    def rise(self) -> Quantity:
        """Final rise over the room."""
        began = rectangular(0.0, RAMP_DOUBT_S * self._first_slope(), "ohm", f"{self.source} instant of the start")
        cold_c = combine(((1.0, self.room_cold), (1.0, self._warm)), "degC")
        raw = rise_k(self._final, shifted(self._start, began=began), cold_c, self.room_hot, self.k)
        return self._refer(raw, self._final.value / self._start.value)

    def fast_rise(self, change: Quantity) -> Quantity:
        """Part of the rise with the fast time."""
        raw = propagate(
            lambda ohm, cold, cold_c, k: ohm / cold * (k + cold_c),
            "K",
            ohm=change,
            cold=self._start,
            cold_c=self.room_cold,
            k=self.k,
        )
        began = rectangular(
            0.0,
            RAMP_DOUBT_S * self._first_slope() / self._start.value * (self.k.value + REFERENCE_C),
            "K",
            f"{self.source} instant of the start",
        )
        referred = scaled(self._refer(shifted(raw, began=began), 1.0), 1.0 + FAST_RISE_SHORT, "K")
        return _doubted(referred, FAST_RISE_DOUBT, f"{self.motor} third phase, rise")

    def fast_time(self, fitted: Quantity) -> Quantity:
        """Time of the fast part."""
        return _doubted(scaled(fitted, 1.0 + FAST_TIME_SHORT, "s"), FAST_TIME_DOUBT, f"{self.motor} third phase, time")

    def slow_time(self) -> Quantity:
        """Slow time constant; at constant current it goes with the feedback of the hot resistance, I^2."""
        longer = scaled(self.curve.slow_time, 1.0 + SLOW_TIME_SHORT, "s")
        return _doubted(longer, SLOW_TIME_DOUBT, f"{self.motor} third phase and current, slow time")

    def driver_rise(self) -> Quantity | None:
        """Rise of the driver as the firmware reports it, change of room taken off; None if it reports none."""
        cold, hot = (self._heating.numbers(part) for part in ("driver_cold_c", "driver_hot_c"))
        if len(cold) < 2 or len(hot) < 2:
            return None
        steps = [
            rectangular(0.0, DRIVER_STEP_K / 2.0, "K", f"{self.motor} driver's converter, {state}", "a finer converter")
            for state in ("cold", "hot")
        ]
        raw = combine(
            (
                (1.0, repeats(hot, "K", f"{self.source} driver hot")),
                (-1.0, repeats(cold, "K", f"{self.source} driver cold")),
                (-1.0, self.room_hot),
                (1.0, self.room_cold),
                *((1.0, step) for step in steps),
            ),
            "K",
        )
        return propagate(lambda k, i: k * (CURRENT_A / i) ** 2, "K", k=raw, i=self._phase_current(-1))


def most_left_k(kelvins: float, slow_s: float) -> float:
    """Most of earlier heat, K, that two readings which agree may leave at the start, with the second one's own.

    Between them the housing cools by a share of what is left at the second one; half a wait later that has decayed
    further. `kelvins` is the absolute scale on which resistance counts, k + temperature.
    """
    decay = math.exp(-COLD_WAIT_S / slow_s)
    return COLD_AGREE * kelvins * decay / (1.0 - decay) * math.exp(-COLD_WAIT_S / 2.0 / slow_s) + LOOK_K


def _bare(quantity: Quantity) -> Quantity:
    """The value without its budget."""
    return Quantity(value=quantity.value, unit=quantity.unit)


def _doubted(quantity: Quantity, relative: float, source: str) -> Quantity:
    """With a relative half-width of its own added."""
    return shifted(quantity, doubt=rectangular(0.0, abs(quantity.value) * relative, quantity.unit, source))
