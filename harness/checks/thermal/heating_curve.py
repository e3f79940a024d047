"""What a heating says of a winding, with what its instruments, its bridge and our own model of it may get wrong.

Two lags behind the loss that was measured. Whatever may be wrong with a reading is tried: the curve is fitted with it,
and by how far each result goes it is in the budget. Cold and hot share the sources of their instruments, so that what
cancels in a ratio is not counted. What is not known of the body is tried too: cooling that grows with the rise, and a
third body behind the housing, for whatever the motor is bolted to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cached_property

import numpy as np

from harness.base.errors import MeasurementError
from harness.base.reference import REFERENCE_C
from harness.checks.thermal.readings import Changes, Readings
from harness.checks.thermal.settled import Settled, settled
from harness.corrections.resistance import resistance_at
from harness.fits.lags import Belief, LevelRecord, Response, again, one_more, respond
from harness.nouns.array import Array
from harness.nouns.observation import Observation
from harness.nouns.quantity import Contribution, Quantity, combine, from_covariance, propagate, rectangular
from harness.nouns.reading import AccuracyEntry, Reading
from harness.rigfile import RigSpec, unstated

INSTANT_DOUBT_S = 0.05
"""Half-width of the instant at which a setting takes effect (arbitrary: a sixth of the ramp)."""
BEND, BEND_U = 0.1, 0.125
"""Exponent with which a housing's cooling grows with its rise, and its standard uncertainty: 0 for a metal bracket or a
fan, a quarter for all of it by air that rises by itself, radiation a little beside it (textbook). The samples are not
asked: they tell it from nothing else that bends a curve."""
ROUNDS = 6
"""Of fits in which what follows from the curve is taken from the last one; each is nearer by a factor of some five."""
LEAST_PART = 1e-6
ROOM_DOUBT = 0.3
"""Of a change of the room, the share by which the motor follows more or less of it (arbitrary)."""
THIRD_FROM, THIRD_LONGEST_S, THIRDS = 1.4, 7200.0, 6
"""Time constants tried for a third body: from this many times the housing's to that of a kilogram of aluminium on
8 K/W (common practice, no source)."""
BEGUN_COLD_K = 0.6
"""The most of earlier heat in a motor that was waited for, as harnesses before did: two looks 300 s apart
agreed to 0.1 %, which is 0.25 K, and half of what is left leaves in so long (arbitrary)."""
TOLD = 0.15
"""Relative standard uncertainty of the slow time from which on it says where the housing is (arbitrary)."""
THIRD_PHASE = 0.003
"""Half-width, relative, of what three equal phases leave of the fast part (arbitrary)."""

Part = Callable[[Settled], float]
PARTS: Mapping[str, tuple[str, Part]] = {
    "start": ("ohm", lambda s: s.start),
    "growth": ("1", lambda s: s.final / s.start - 1.0),
    "fast_growth": ("1", lambda s: s.fast_change / s.start),
    "slow_time": ("s", lambda s: s.slow_time),
    "fast_time": ("s", lambda s: s.fast_time),
}


class HeatingCurve:
    """One heating as two lags behind its loss. Raises MeasurementError where no lag can be told."""

    def __init__(self, heating: Observation, spec: RigSpec, motor: str) -> None:
        self.spec, self.motor, self.source = spec, motor, heating.name
        self.readings = Readings(heating, spec, motor)
        self.k = unstated.reciprocal_coefficient(spec, motor)
        name = spec.instruments_of("thermometer")[0]
        accuracy = spec.instrument[name].temperature_accuracy
        if accuracy is None:
            raise MeasurementError(f"instrument.{name}: a thermometer needs its accuracy")
        self.room = Reading(
            name=name, function="temperature", value=self.readings.room_c, unit="degC", accuracy=accuracy
        ).quantity()
        self._record = self.readings.record()
        self.response = self._straight = respond(self._record)
        self._at_rise = max(float(self.response.slowest()[-1]), 1e-9)
        self.response = self._at_bend(BEND)
        self.settled = self._settle(self.response)
        self._quantities: dict[str, Quantity] = {}
        self._places: dict[tuple[float, ...], Settled] = {}

    @property
    def two(self) -> bool:
        """Whether winding and housing were told apart."""
        return self.response.terms == 2

    @property
    def why(self) -> str:
        """Why they were not."""
        return self.response.why

    @cached_property
    def _stronger(self) -> Settled:
        """The curve, were the cooling to grow by a standard uncertainty more with the rise."""
        return self._settle(self._at_bend(BEND + BEND_U), bend=BEND + BEND_U)

    def _at_bend(self, bend: float) -> Response:
        """The fit with one exponent of the cooling: what follows from the curve is taken from the fit before."""
        found = self._straight
        for number in range(ROUNDS):
            before, known = found, self._known(found, bend)
            bent = replace(self._record, known=known, beliefs=self._of_bridge(before), quick=self._quick(before))
            found = again(before.with_beliefs(bent) if number == 0 else before, bent)
            if number and np.allclose(found.fit.values, before.fit.values, rtol=1e-4, atol=1e-5):
                break
        return found

    def _quick(self, response: Response) -> tuple[tuple[float, float], ...]:
        """Shares and relative times of the two fast lags of three phases in one housing, one of them not heated.

        The heated phases' difference from the mean of all has a lag of its own; the mean, with two thirds of the loss,
        has one shorter by the winding's capacity over all of it. Capacities follow from gains and times.
        """
        if response.terms == 1:
            return ((1.0, 1.0),)
        _, terms = response.parted(response.fit.values)
        fast_gain = sum(term.gain for term in terms[1:])
        fast_s = sum(term.gain * term.time_s for term in terms[1:]) / fast_gain
        whole, housing = 2.0 * terms[0].time_s / terms[0].gain, 1.0
        for _ in range(8):  # part of the capacity that is the housing's
            mean = 2.0 * housing**2
            winding = fast_s / fast_gain * (1.0 + mean) ** 2 / (1.0 + mean * housing)
            housing = 1.0 - min(max(winding / whole, 0.0), 0.9)
        own, mean = 1.0, 2.0 * housing**2
        share = own / (own + mean)
        middle = share + (1.0 - share) * housing
        return (share, 1.0 / middle), (1.0 - share, housing / middle)

    def _of_bridge(self, response: Response) -> tuple[Belief, ...]:
        """Dead time beyond what is stated, and how the idle current went between its readings.

        Both show where the current changes.
        """
        beliefs, u_y = [], response.fit.residual_deviation
        for name, u in (("dead_share", self.readings.dead_share.u), ("idle_lag", 1.0)):
            off = _off(response, self.readings.record(Changes(**{name: u}))) - _off(response, self._record)
            if np.any(off):
                beliefs.append(Belief(effect=-off / u, value=0.0, u=u, u_y=u_y))
        return tuple(beliefs)

    def _known(self, response: Response, bend: float, *, follows: float = 1.0, left: float = 0.5) -> Array:
        """What no parameter of the lags changes, at all instants, ohm: stronger cooling, the room's drift, old heat."""
        level, terms = response.parted(response.fit.values)
        drive = response.record.drive
        at_s, slow_s = drive.at_s, terms[0].time_s
        per_k = level / (self.k.value + self.readings.room_c)
        known = follows * per_k * self.readings.room(at_s).lagged(slow_s)
        if bend:
            part = np.maximum(response.slowest() / self._at_rise, LEAST_PART)
            stronger = self._at_rise * part * (part**bend - 1.0)
            known = known - replace(drive, first=stronger[:-1], last=stronger[1:]).lagged(slow_s)
        if self.readings.begun_cold:
            known = known + left * BEGUN_COLD_K * per_k * np.exp(-(at_s - at_s[0]) / slow_s)
        return np.asarray(known, dtype=np.float64)

    def _settle(self, response: Response, parameters: Array | None = None, bend: float = BEND) -> Settled:
        """Where a response ends at a constant current; with other parameters than were found, where they are given."""
        level, terms = response.parted(response.fit.values if parameters is None else parameters)
        quick = len(response.record.quick) if response.terms == 2 else 0
        return settled(level, terms, bend, self._at_rise, quick)

    # --- budgets -----------------------------------------------------------------------------------

    def part(self, name: str) -> Quantity:
        """One of PARTS with its budget, at the current as it was measured and over the room."""
        if not self._quantities:
            self._quantities = self._with_budgets()
        return self._quantities[name]

    def by_samples(self, name: str) -> Quantity:
        """One of PARTS with what the scatter of the samples makes of it alone: the least that its budget will have."""
        unit, part = PARTS[name]

        def at(**values: float) -> float:
            place = tuple(values.values())
            if place not in self._places:
                self._places[place] = self._settle(self.response, np.array(place))
            return part(self._places[place])

        return replace(propagate(at, unit, **self._inputs), value=part(self.settled))

    @cached_property
    def _inputs(self) -> dict[str, Quantity]:
        return _parameters(self.response, self.source)

    def _with_budgets(self) -> dict[str, Quantity]:
        doubts = dict(self._doubts())
        quantities = {}
        for name, (unit, part) in PARTS.items():
            if name.startswith("fast") and not self.two:
                continue
            fitted = self.by_samples(name)
            budget = dict(fitted.budget)
            for source, (changed, doubt) in doubts.items():
                shift = part(changed) - fitted.value
                if shift:
                    budget[source] = replace(doubt, u=doubt.u * shift)
            quantities[name] = Quantity(value=fitted.value, unit=unit, budget=budget)
        quantities["growth"] = self._extrapolated(quantities["growth"])
        return quantities

    def _doubts(self) -> list[tuple[str, tuple[Settled, Contribution]]]:
        """By source: what a deviation of it makes of the curve, and the contribution that so much stands for."""
        found = []
        once = Contribution(u=1.0)
        half = Contribution(u=1.0 / math.sqrt(3.0), shape="rectangular")

        def moved(changes: Changes) -> Settled:
            record = self.readings.record(changes)
            known = self.response.record.known
            rest = record.y if known is None else record.y - known[self.response.record.places]
            like = self.response.record
            changed = replace(record, y=rest, beliefs=like.beliefs, quick=like.quick)
            return self._settle(self.response, self.response.moved(changed))

        def otherwise(added: Array) -> Settled:
            record = self.response.record
            known = added if record.known is None else record.known + added
            return self._settle(self.response, self.response.moved(replace(record, known=known)))

        supply, meter = self._instrument("supply"), self._instrument("multimeter")
        for (name, accuracy), function, gain, offset in (
            (supply, "current", "supply_gain", None), (meter, "voltage", "volts_gain", "volts_offset_v"),
        ):  # fmt: skip
            remedy = f"a more accurate {function} reading"
            part = replace(half, remedy=remedy)
            if accuracy.percent:
                found.append(
                    (f"instrument.{name}.{function}_gain", (moved(Changes(**{gain: accuracy.percent / 100.0})), part))
                )
            if offset and accuracy.offset:
                found.append(
                    (f"instrument.{name}.{function}_offset", (moved(Changes(**{offset: accuracy.offset})), part))
                )
        for which, (u, dof) in zip(("idle_cold_a", "idle_hot_a"), self.readings.idle_u(), strict=True):
            if u:
                words = f"{self.source} idle current, {which[5:-2]}"
                found.append((words, (moved(Changes(**{which: u})), replace(once, dof=dof, remedy="more repeats"))))
        bent = f"{self.motor} cooling that grows with the rise"
        found.append((bent, (self._stronger, replace(once, remedy="a longer record"))))
        found.append((f"{self.source} instants", (moved(Changes(instant_s=INSTANT_DOUBT_S)), half)))
        usual = self._known(self.response, 0.0)
        if self.readings.room_moved_k:
            followed = self._known(self.response, 0.0, follows=1.0 + ROOM_DOUBT) - usual
            found.append((f"{self.motor} room's drift", (otherwise(followed), replace(half, remedy="a steady room"))))
        if self.readings.begun_cold:
            warm = otherwise(self._known(self.response, 0.0, left=1.0) - usual)
            found.append((f"{self.motor} not wholly cold", (warm, replace(half, remedy="let it cool for longer"))))
        return found

    def _extrapolated(self, growth: Quantity) -> Quantity:
        """With what a further body would make of the end, wherever the samples allow one.

        They are asked as if cooling did not grow with the rise: growth bends the end the other way, and would hide it.
        """
        if self.two and self.mounting == "free":
            return growth
        straight = self._at_bend(0.0)
        slowest = straight.parted(straight.fit.values)[1][0].time_s
        alone = PARTS["growth"][1](self._settle(straight, bend=0.0))
        if self.two:
            times = np.geomspace(THIRD_FROM * slowest, max(THIRD_LONGEST_S, 2.0 * slowest), THIRDS)
        else:
            times = np.geomspace(slowest / 20.0, max(THIRD_LONGEST_S, 2.0 * slowest), 2 * THIRDS)
        most = alone  # a further body stores: it cools nothing
        for wider in one_more(straight, times.tolist()):
            try:
                end = self._growth_of(wider)
            except MeasurementError:
                continue
            most = max(most, end.value + end.u)
        if most == alone:
            return growth
        remedy = "a longer record" if self.mounting == "bolted" else f"state motor.{self.motor}.thermal.mounting"
        half = (most - alone) / 2.0
        doubt = rectangular(half, half, "1", f"{self.motor} a body behind the housing", remedy)
        return combine(((1.0, growth), (1.0, doubt)), "1")

    def _growth_of(self, wider: Response) -> Quantity:
        """Growth of the resistance by a response with one more term."""
        return propagate(
            lambda **values: PARTS["growth"][1](self._settle(wider, np.array(list(values.values())), 0.0)),
            "1",
            **_parameters(wider, "wider"),
        )

    def _instrument(self, class_: str) -> tuple[str, AccuracyEntry]:
        """Name and accuracy of the supply, or of the motor's multimeter."""
        for name, entry in self.spec.instrument.items():
            accuracy = entry.current_accuracy if class_ == "supply" else entry.voltage_accuracy
            if entry.class_ == class_ and (class_ == "supply" or entry.is_at(self.motor)):
                if accuracy is None:
                    which = "current_accuracy" if class_ == "supply" else "voltage_accuracy"
                    raise MeasurementError(f"instrument.{name}: a {class_} needs its {which}")
                return name, accuracy
        raise MeasurementError(f"{self.motor}: no {class_} in the rig file")

    @property
    def mounting(self) -> str | None:
        """How the motor is held, as the rig file says it."""
        thermal = self.spec.motor[self.motor].thermal
        return None if thermal is None else thermal.mounting

    # --- results -----------------------------------------------------------------------------------

    def resistance(self) -> Quantity:
        """Per phase, at 20 degC."""
        return propagate(
            lambda ohm, at_c, k: resistance_at(ohm, at_c, REFERENCE_C, k),
            "ohm",
            ohm=self.part("start"),
            at_c=self.room,
            k=self.k,
        )

    def rise(self) -> Quantity:
        """Final rise over a room of 20 degC at exactly CURRENT_A."""
        return propagate(lambda growth, k: growth * (k + REFERENCE_C), "K", growth=self.part("growth"), k=self.k)

    def fast_rise(self) -> Quantity:
        """Part of the rise with the fast time."""
        raw = propagate(lambda growth, k: growth * (k + REFERENCE_C), "K", growth=self.part("fast_growth"), k=self.k)
        return _doubted(raw, THIRD_PHASE, f"{self.motor} third phase, rise")

    def fast_time(self) -> Quantity:
        """Time of the fast part."""
        return _doubted(self.part("fast_time"), THIRD_PHASE, f"{self.motor} third phase, time")

    def slow_time(self) -> Quantity:
        """Slow time constant at constant current, with the feedback of the hot resistance."""
        return self.part("slow_time")

    def referred(self) -> tuple[tuple[float, float], ...]:
        """Instants (s) and the rise (K) that CURRENT_A alone would have made by then, with what each look is off."""
        per_k = self.settled.start / (self.k.value + self.readings.room_c)
        residuals = self.response.fit.residuals[: self.readings.at_s.size]
        return tuple(
            (at_s, (self.settled.at(at_s) - self.settled.start + off) / per_k)
            for at_s, off in zip(self.readings.at_s.tolist(), residuals.tolist(), strict=True)
            if at_s >= 0.0
        )

    def share_reached(self) -> float:
        """How much of its final rise the housing has at the last look; 0 while its time is not known to TOLD."""
        if not self.two or self.response.fit.u[-2] > TOLD:
            return 0.0
        final = self.settled.final - self.settled.start - self.settled.fast_change
        return float(self.response.slowest()[-1]) / final


def _off(response: Response, record: LevelRecord) -> Array:
    """How far the levels of a record are off the lags that were found, but for what no reading changes."""
    like = replace(response.record, drive=record.drive, places=record.places)
    found = like.model(response.fit.values, response.terms)
    return np.asarray(record.y - found[: record.y.size], dtype=np.float64)


def _parameters(response: Response, source: str) -> dict[str, Quantity]:
    """Those of a fit, by names for `propagate`, in their order."""
    fit = response.fit
    units = ["1"] * len(fit.values)
    quantities = from_covariance(
        fit.values.tolist(), fit.covariance.tolist(), units, source, fit.dof, "a longer record"
    )
    return {f"p{number}": quantity for number, quantity in enumerate(quantities)}


def _doubted(quantity: Quantity, relative: float, source: str) -> Quantity:
    """With a relative half-width of its own added."""
    return combine(
        ((1.0, quantity), (1.0, rectangular(0.0, abs(quantity.value) * relative, quantity.unit, source))), quantity.unit
    )
