"""From sweeps and vectors to the quantities of the commutation check, each with its budget."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.base.gravity import STANDARD_M_S2
from harness.corrections.sensor_error import sensor_error_u
from harness.fits.field_fit import FieldFit, Sweep, follow, hold_positions, sense_of
from harness.fits.regression import linear
from harness.nouns.array import Array
from harness.nouns.coverage import whole_numbers
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, exact, normal, propagate, rectangular, scaled, shifted
from harness.rigfile import RigSpec

AT_REST = ("sensor_noise", "distinct_codes", "sensor_age", "impossible_ages")
THIRD = math.tau / 3.0
PAIRS = {0: "phase A", 1: "phase C", 2: "phase B"}
"""Vector number modulo 3 (0 and 180, 60 and 240, 120 and 300 degrees) -> the phase that carries most there."""
OPEN_BELOW = 0.3
"""Share of the mean under which a pair of vectors carries nothing worth the name (arbitrary)."""
LEAST_CURRENT_A = 0.02
"""Mean over idle that counts as any current at all (arbitrary: a few times a supply's last digit)."""
READINGS_DIFFER = 2.0
"""Half-width of a pair's current over the most that one of its readings was seen to differ by (arbitrary)."""
LEAST_TRAVEL_RAD = 0.02
"""Less is noise, or an arm that creeps within its friction (arbitrary)."""
STILL = "the shaft did not move when the field turned: is the supply switched on, the fuse whole, the shaft free?"
FROZEN = "the reading never changed while the field turned, not even by its noise: is it taken anew each time?"
PASSED = 5
"""Vectors either way from hanging whose positions are compared: the sweeps pass them well before their ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """A motor that follows its field."""

    following: FieldFit
    sweeps: Mapping[str, Sweep]
    spec: RigSpec
    motor: str
    zero_rad: float
    """Reading from which the sweeps' shaft angles count."""
    centre_rad: float
    """Electrical angle of the vector nearest to hanging."""
    corrected_s: float
    """By which the sweeps' fields were moved to the readings' own instants: the age that the firmware tells."""

    @property
    def _source(self) -> str:
        return f"{self.motor}.commutation"

    def _from_fit(self, name: str, unit: str) -> Quantity:
        return normal(
            self.following.value(name), self.following.u(name), unit, f"{self._source} fit {name}", remedy="more sweeps"
        )

    def _sensor(self, u: float, name: str) -> Quantity:
        key = f"motor.{self.motor}.sensor.eccentricity_rad"
        return normal(0.0, u, "rad", f"{key} ({name})", remedy="centre the sensor's magnet")

    def quantity(self, which: str) -> Quantity:
        """One of pole_pairs, step_angle, offset, phase_order, hang_reading, reading_lag, step_spread.

        Raises MeasurementError.
        """
        ways: dict[str, Callable[[], Quantity]] = {
            "pole_pairs": self._pole_pairs,
            "step_angle": self._step_angle,
            "offset": self._offset,
            "phase_order": self._phase_order,
            "hang_reading": self._hang_reading,
            "reading_lag": self._reading_lag,
            "step_spread": self._step_spread,
        }
        return ways[which]()

    def _pole_pairs(self) -> Quantity:
        fitted = self._from_fit("pole_pairs", "1")
        once, twice = sensor_error_u(self.spec, self.motor)
        # The part of the error that looks like another slope: twice a turn is twice as steep.
        slope = self._sensor(math.hypot(once, 2.0 * twice), "slope")
        pairs = shifted(fitted, sensor=scaled(slope, fitted.value, "1"))
        if not whole_numbers(pairs):
            raise MeasurementError(
                f"the field's turns count {pairs.value:.2f} +- {2.0 * pairs.u:.2f} pole pairs, and no whole number "
                "lies near: something else bends the count, such as a load that is not as the rig file says, or "
                "a field that slips under it"
            )
        return pairs

    def _step_angle(self) -> Quantity:
        pairs = self._pole_pairs()
        step = math.tau / 6.0 / pairs.value
        return Quantity(value=step, unit="rad", budget=scaled(pairs, -step / pairs.value, "rad").budget)

    def _offset(self) -> Quantity:
        fitted = self.following
        free = fitted.u_given_sensor("offset")
        left = math.sqrt(max(fitted.u("offset") ** 2 - free**2, 0.0))
        at_zero = shifted(
            normal(fitted.value("offset"), free, "rad", f"{self._source} fit offset", remedy="more sweeps"),
            sensor=self._sensor(left, "value"),
        )
        counts = whole_numbers(self._pole_pairs())
        if len(counts) > 1:
            raise MeasurementError(f"the offset needs the count of pole pairs, which may be any of {list(counts)}")
        (pairs,) = counts
        # Of the turn, not of the fitted slope: two radians on, a slope off by its uncertainty would count twenty-fold.
        raw = at_zero.value - self.following.direction * pairs * self.zero_rad
        near = self.spec.motor[self.motor].electrical_offset_rad
        about = near.value if near is not None else 0.0
        wrapped = about + math.remainder(raw - about, math.tau)
        return Quantity(value=wrapped, unit="rad", budget=at_zero.budget)

    def _phase_order(self) -> Quantity:
        entry = self.spec.motor[self.motor]
        if entry.electrical_offset_rad is None:
            raise MeasurementError(
                f"the three cyclic orders differ by the offset alone: state motor.{self.motor}.electrical_offset_rad"
            )
        known = entry.electrical_offset_rad.value
        offset = self._offset().value
        if self.following.direction == (entry.direction or 1):
            return exact(float(round((offset - known) / THIRD) % 3), "1")
        return exact(3.0 + round((offset + known) / THIRD) % 3, "1")

    def _hang_reading(self) -> Quantity:
        if self.spec.motor[self.motor].load is None and not self.following.pulled:
            raise MeasurementError("no arm is known to hang on this shaft, and none pulls on it")
        near = hang_about(self.spec, self.motor, self.zero_rad)
        value = near + math.remainder(self.following.hang_rad + self.zero_rad - near, math.tau)
        return normal(value, self.following.hang_u, "rad", f"{self._source} fit hang", remedy="more sweeps")

    def _reading_lag(self) -> Quantity:
        """Behind the field that drives the currents: what the winding takes is in it."""
        late_s = self.following.lag_s + self.corrected_s
        return normal(late_s, self.following.lag_u_s, "s", f"{self._source} fit lag", remedy="more sweeps")

    def _step_spread(self) -> Quantity:
        """Rms departure of the positions at the vectors from evenly spaced ones, what noise adds to it taken off.

        Arm, drag and inertia are taken out; cogging is not in it either, which a turning shaft rides over.
        """
        large = [self.sweeps[name] for name in ("large_up", "large_down") if name in self.sweeps]
        pairs = self.following.value("pole_pairs")
        fields = [self.centre_rad + k * math.tau / 6.0 for k in range(-PASSED, PASSED + 1)]
        motions = [sweep.smoothed() for sweep in large]
        inside = [f for f in fields if all(m.field_rad.min() < f < m.field_rad.max() for m in motions)]
        if len(inside) < 4 or not large:
            raise MeasurementError("the sweeps pass too few vectors to compare their positions")
        free, alone = hold_positions(self.following, large, np.asarray(inside))
        number = self.following.direction * np.arange(len(inside))
        departures = free - np.polynomial.Polynomial.fit(number, free, 1)(number)
        count = len(inside)
        square = float(np.mean(np.square(departures)))
        spread = math.sqrt(max(square - alone**2 * (count - 2) / count, 0.0))
        # The ways share some of what the fit leaves over, and it cannot be told from a sensor's error. A place between
        # two points has two thirds of their variance on the mean, and a straight line takes two of the places.
        u = self.following.scatter_rad / pairs / math.sqrt(2.0) * math.sqrt(2.0 / 3.0 * (count - 2) / count)
        # The slope of a root grows without end towards no spread at all, where the root of what noise leaves above its
        # own square is no more than 0.41 u (a normal's positive half, of variance 2 u^4 / count): it is held there.
        scatter = u / math.sqrt(count) * max(1.0, math.sqrt(square) / max(spread, u / math.sqrt(2.0)))
        return normal(spread, scatter, "rad", f"{self._source} positions", count - 2, "more sweeps")


def hang_about(spec: RigSpec, motor: str, otherwise: float) -> float:
    """Where the rig file has the arm hang, or `otherwise`."""
    hang = spec.motor[motor].stated_hang_rad
    return hang.value if hang is not None else otherwise


def direction(sweeps: Mapping[str, Sweep]) -> Quantity:
    """+1 or -1, 0 if nothing moved; exact. Raises MeasurementError for a shaft that goes back and forth."""
    chosen = [sweep for name, sweep in sweeps.items() if name.startswith("large")]
    if not chosen:
        raise MeasurementError(
            "no field was turned: the shaft does not rest where the rig file has it hang, and had no room for it"
        )
    return exact(float(sense_of(chosen, LEAST_TRAVEL_RAD)), "1")


def align(
    sweeps: Mapping[str, Sweep],
    spec: RigSpec,
    motor: str,
    zero_rad: float,
    centre_rad: float,
    lost: Quantity,
    corrected_s: float,
) -> Alignment:
    """Fit the sweeps of a motor that follows; `lost`: the amplitude that dead time takes; others as in `Alignment`.

    Raises MeasurementError where it does not follow.
    """
    sense = int(direction(sweeps).value)
    if sense == 0:
        raise MeasurementError(STILL)
    entry = spec.motor[motor]
    levels = sorted({sweep.amplitude for sweep in sweeps.values()}, reverse=True)
    if len(levels) < 2:
        raise MeasurementError("one amplitude does not part the arm from the pole pairs: two are needed")
    log_ratio = propagate(
        lambda lost: math.log((levels[0] - lost) / max(levels[1] - lost, 0.2 * levels[1])), "1", lost=lost
    )
    following = follow(
        tuple(sweeps.values()),
        sense,
        has_arm=entry.load is not None,
        log_ratio=(log_ratio.value, log_ratio.u),
        error_u=sensor_error_u(spec, motor),
    )
    return Alignment(
        following=following,
        sweeps=sweeps,
        spec=spec,
        motor=motor,
        zero_rad=zero_rad,
        centre_rad=centre_rad,
        corrected_s=corrected_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCurrents:
    """Supply current over idle of the three pairs of opposite vectors, A, as if all were taken at once."""

    amperes: Array
    left_a: float
    """The most that a reading differs from its pair and the trend, A."""
    trend_a: float
    """What the warming winding changes the current by from one vector to the next, A."""


def pair_currents(vectors: Observation | None) -> PairCurrents | None:
    """Pairs of opposite vectors by current, with a straight trend in time taken out; None where none was read."""
    if vectors is None or not vectors.states("idle_a"):
        return None
    numbers, currents, idle = vectors.wholes("vectors"), vectors.numbers("current_a"), vectors.number("idle_a")
    if len(numbers) < 6:
        return None
    design = np.zeros((len(numbers), 4))
    design[np.arange(len(numbers)), [number % 3 for number in numbers]] = 1.0
    design[:, 3] = np.arange(len(numbers)) - (len(numbers) - 1) / 2.0
    fit = linear(design, [current - idle for current in currents])
    left_a = float(np.max(np.abs(fit.residuals)))
    return PairCurrents(amperes=fit.values[:3], left_a=left_a, trend_a=float(fit.values[3]))


def open_phase(vectors: Observation | None) -> str:
    """Words for a pair of vectors that carries next to nothing, naming its phase; "" for a sound motor."""
    pairs = pair_currents(vectors)
    if pairs is None:
        return ""
    mean = float(np.mean(pairs.amperes))
    if mean < LEAST_CURRENT_A:
        return "no vector carries any current: supply, enable or more than one lead"
    weakest = int(np.argmin(pairs.amperes))
    return f"{PAIRS[weakest]} carries no current" if pairs.amperes[weakest] < OPEN_BELOW * mean else ""


def weakest_vector(vectors: Observation | None, sweeps: Mapping[str, Sweep], spec: RigSpec) -> Quantity:
    """Weakest pair of opposite vectors over the mean of the three: by supply current, without one by motion."""
    pairs = pair_currents(vectors)
    if pairs is None:
        return weakest_by_motion(sweeps)
    mean = float(np.mean(pairs.amperes))
    if mean < LEAST_CURRENT_A:
        raise MeasurementError("no vector carries any current: supply, enable or more than one lead")
    weakest = int(np.argmin(pairs.amperes))
    share = float(pairs.amperes[weakest]) / mean
    instrument = next(iter(spec.instruments_of("supply")), "supply")
    accuracy = spec.instrument[instrument].current_accuracy if instrument in spec.instrument else None
    half = accuracy.half_width(0.0) if accuracy is not None else 2e-3
    remedy = "more rounds of the vectors"
    return shifted(
        # Two readings a pair tell no standard deviation to judge by. That the least of three like numbers lies below
        # their mean is within this width too.
        rectangular(share, READINGS_DIFFER * pairs.left_a / mean, "1", "readings of a pair", remedy),
        warming=rectangular(0.0, abs(pairs.trend_a) / mean, "1", "warming not a straight line", remedy),
        # Gain and offset cancel between pairs and idle; linearity, within the offset's width, where pairs are alike.
        linear=rectangular(0.0, half / mean * abs(1.0 - share), "1", f"instrument.{instrument} linearity"),
    )


def weakest_by_motion(sweeps: Mapping[str, Sweep]) -> Quantity:
    """The same from motion: travel while the field goes 60 degrees through a vector, least pair over the mean."""
    large = [sweep for name, sweep in sweeps.items() if name.startswith("large")]
    travel: dict[int, list[float]] = {0: [], 1: [], 2: []}
    for sweep in large:
        low, high = math.ceil(sweep.field_rad.min() / (math.tau / 6)) + 1, int(sweep.field_rad.max() / (math.tau / 6))
        for number in range(low, high):
            near = np.abs(sweep.field_rad - number * math.tau / 6) < math.tau / 12
            travel[number % 3].append(float(np.ptp(sweep.shaft_rad[near])) if np.any(near) else 0.0)
    if not all(travel.values()):
        raise MeasurementError("the sweeps pass too few vectors to compare them")
    means = np.asarray([np.mean(values) for values in travel.values()])
    if float(np.mean(means)) < LEAST_TRAVEL_RAD / 4:
        raise MeasurementError("the shaft did not move at any vector, and no supply current tells why")
    scatter = float(np.mean([np.std(values, ddof=1) if len(values) > 1 else 0.01 for values in travel.values()]))
    mean = float(np.mean(means))
    return normal(
        float(np.min(means)) / mean,
        max(scatter / mean, 0.02),
        "1",
        "travel of vectors",
        remedy="a supply whose current can be read",
    )


def hang_at_rest(rests: Sequence[Array], spec: RigSpec, motor: str, zero_rad: float) -> Quantity:
    """Where the arm came to rest with the phases off, as wide as friction may hold it away from hanging."""
    entry = spec.motor[motor]
    load = entry.load
    if load is None:
        raise MeasurementError("no arm is known to hang on this shaft")
    places = [float(np.mean(rest)) for rest in rests]
    middle = (min(places) + max(places)) / 2.0
    half = 0.1  # arbitrary, where friction or arm are not known: a twentieth of the torque of an arm held level
    if entry.coulomb_friction_n_m is not None and load.mass_kg is not None and load.length_m is not None:
        arm = load.mass_kg.value * load.length_m.value * STANDARD_M_S2
        half = math.asin(min(1.0, entry.coulomb_friction_n_m.high / arm))
    near = hang_about(spec, motor, zero_rad)
    value = near + math.remainder(middle + zero_rad - near, math.tau)
    return rectangular(
        value,
        max(half, (max(places) - min(places)) / 2.0),
        "rad",
        f"{motor}.commutation friction at rest",
        "let the field show where the arm hangs",
    )
