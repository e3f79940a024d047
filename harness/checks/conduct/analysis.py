"""What the check of conduct makes of its readings."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cached_property

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.conduct import fall, pattern
from harness.checks.conduct.held import growth
from harness.checks.conduct.movement import LAST, STARTED, Movement, movement
from harness.checks.conduct.quantities import CHECK, Following, Trace
from harness.checks.conduct.stimulus import DUTIES, HOLD_S, NO_SUPPLY, READS
from harness.fits.instrument_scatter import last_digit, scatter
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, exact, normal, rectangular, shifted
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

TICK_S = 1e-6
INSTANT_S = 0.5e-6
"""Half-width of the instant of a pin's edge: the board's clock counts whole microseconds."""
LEAST_DIGIT_A = 1e-3
"""Of a supply that reads nothing but zeros, so that no digit shows (arbitrary)."""
READS_U = 0.5 / READS
"""Of a share of time, for that many readings of it, spread evenly (own trial)."""
OFTENER = "read the pins oftener"
CLOCK_S = 5e-6
"""Half-width of a time between two stamps of the board's clock (arbitrary: a few of its ticks and calls)."""
ROUNDING = 0.01
"""Half-width of what whole numbers make of the growth of a demand (arbitrary: some ones in some hundreds)."""
UNSTATED_AGE_S = 2e-3
"""Of a reading whose age the rig file does not state (arbitrary: a period of a pulse-width output)."""
STEP_S = 1e-3
"""The pause at which the silence of the host is looked at, half of it either way."""


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """Every planned quantity: a measurement, or why this one cannot be told."""
    data = _Data(observations, spec, motor)
    made: list[Measurement | Unmeasured] = []
    for quantity in (row.name for row in CHECK.quantities):
        name = f"{motor}.conduct.{quantity}"
        try:
            value, source = data.quantity(quantity)
            note = data.note(quantity)
            made.append(Measurement(name=name, quantity=value, observations=(source.name,), note=note))
        except MeasurementError as error:
            made.append(Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason=str(error)))
    return made


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """The shaft and its set point while the loop is told to move."""
    rows = next((o for o in observations if o.name == f"{motor}.conduct.loop"), None)
    if rows is None:
        return []
    per_count = math.tau / spec.motor[motor].sensor.counts
    series = {
        words: tuple(zip(rows.si("t").tolist(), (rows.si(column) * per_count).tolist(), strict=True))
        for words, column in (("set point", "target"), ("reading", "count"))
    }
    return [
        Curve(
            name=f"{motor}.conduct.moves",
            title=f"{motor}: the loop told to start and to move",
            x_label="time",
            x_unit="s",
            y_label="from where it stood",
            y_unit="rad",
            series=series,
            joined=True,
        )
    ]


class _Data:
    """The observations of one motor, and what is made of each."""

    def __init__(self, observations: Sequence[Observation], spec: RigSpec, motor: str) -> None:
        self.spec, self.motor = spec, motor
        self._by_name = {observation.name: observation for observation in observations}

    def quantity(self, which: str) -> tuple[Quantity, Observation]:
        """One planned quantity and what it was made of. Raises MeasurementError where it cannot be told."""
        of: dict[str, tuple[str, Callable[[Observation], Quantity]]] = {
            "enable_missed": ("pattern", self._enable_missed),
            "field_amplitude": ("pattern", self._field_amplitude),
            "field_error": ("pattern", self._field_error),
            "duties_error": ("pattern", self._duties_error),
            "time_to_off": ("pattern", self._time_to_off),
            "current_left": ("ended", self._current_left),
            "shaft_held": ("pattern", self._shaft_held),
            "start": ("loop", self._start),
            "following": ("loop", self._following),
            "far": ("far", self._far),
            "brake": ("loop", self._brake),
            "trace": ("loop", self._trace),
            "demand_growth": ("loop", self._demand_growth),
            "passes_after_off": ("loop", self._passes_after_off),
            "limit_missed": ("ended", self._limit_missed),
            "deadman_late": ("ended", self._deadman_late),
        }
        where, make = of[which]
        observation = self._observation(where)
        return make(observation), observation

    def note(self, which: str) -> str:
        """What goes with a number: which of the phases are wrong; that one start says nothing of an unread shaft."""
        if which == "start" and not self._moves.start and not self._ran_again and self._went_back is None:
            return "started once only where the shaft was read before: it was not drawn aside"
        return self._fields.words if which == "field_error" else ""

    def _observation(self, which: str) -> Observation:
        name = f"{self.motor}.conduct.{which}"
        if name not in self._by_name:
            if self._no_loop:
                raise MeasurementError(self._no_loop)
            if which == "far" and f"{self.motor}.conduct.ended" in self._by_name:
                raise MeasurementError(
                    "because no loop is told to go far that does not follow, whose firmware lacks trace(motor, hook), "
                    "or whose clip is more than the rig's limits allow"
                )
            looped = f"{self.motor}.conduct.loop" in self._by_name
            why = "its shaft had to be let go" if looped else "off took too long"
            raise MeasurementError(f"because the loop was not closed{' again' if looped else ''}: {why}")
        return self._by_name[name]

    @cached_property
    def _no_loop(self) -> str:
        """Why no loop could be closed; empty where one was."""
        rows = self._by_name.get(f"{self.motor}.conduct.pattern")
        return next(iter(rows.texts("no_loop")), "") if rows is not None and rows.states("no_loop") else ""

    @cached_property
    def _moves(self) -> Movement:
        return movement(self._observation("loop"))

    @cached_property
    def _kind_of_trace(self) -> Trace:
        """The kind of the loop's trace, by itself."""
        return self._moves.trace(self._observation("loop").number("period_s"), self._age_s)

    @property
    def _age_s(self) -> float:
        """Of a reading, at most: as stated, or as old as a slow sensor's pulses."""
        stated = self.spec.motor[self.motor].sensor.age_s
        return stated.high if stated is not None else UNSTATED_AGE_S

    def _source(self, what: str) -> str:
        return f"{self.motor}.conduct {what}"

    def _enable_missed(self, rows: Observation) -> Quantity:
        driven = [row[2] for row in rows.rows("fields")] + [row[0] for row in rows.rows("duties")]
        return exact(float(sum(not enabled for enabled in driven)), "1")

    @cached_property
    def _fields(self) -> pattern.Fields:
        rows = self._observation("pattern")
        ticks = math.sqrt(2.0 / 3.0) * INSTANT_S * rows.number("carrier_hz")  # of both edges
        return pattern.fields(rows.rows("fields"), math.hypot(ticks, READS_U))

    def _field_amplitude(self, _rows: Observation) -> Quantity:
        found = self._fields
        return normal(found.amplitude, found.amplitude_u, "1", self._source("reading of pins"), found.dof, OFTENER)

    def _field_error(self, _rows: Observation) -> Quantity:
        found = self._fields
        noise = normal(found.error, found.error_u, "1", self._source("reading of pins"), found.dof, OFTENER)
        return shifted(noise, largest=self._largest(found.error_u))

    def _largest(self, u: float) -> Quantity:
        """By how much the largest of several is too large: some two deviations where all are noise, else less."""
        return rectangular(-u, u, "1", self._source("largest of several"))

    def _duties_error(self, rows: Observation) -> Quantity:
        found = np.array(rows.rows("duties"))
        if not found.size:
            raise MeasurementError("needs duties(motor, a, b, c) of the firmware (drive contract)")
        shares = found[:, 1:4] / pattern.WHOLE
        away = np.abs(shares.mean(axis=0) - np.array(DUTIES))
        dof = 3 * (len(shares) - 1)
        u = math.sqrt(float(np.sum((shares - shares.mean(axis=0)) ** 2)) / dof / len(shares))
        noise = normal(float(away.max()), u, "1", self._source("reading of pins"), dof, OFTENER)
        tick = INSTANT_S * rows.number("carrier_hz")
        return shifted(
            noise,
            largest=self._largest(u),
            rise=rectangular(0.0, tick, "1", self._source("instant of the rising edge")),
            fall=rectangular(0.0, tick, "1", self._source("instant of the falling edge")),
        )

    def _time_to_off(self, rows: Observation) -> Quantity:
        took_us = [rows.number("off_us")]
        loop = self._by_name.get(f"{self.motor}.conduct.loop")
        if loop is not None:
            took_us += [each for values in loop.series("took_us").values() for each in values]
        return rectangular(max(took_us) * TICK_S, CLOCK_S, "s", self._source("board's clock"))

    def _current_left(self, rows: Observation) -> Quantity:
        groups = rows.series("current_a")
        if not groups:
            raise MeasurementError(NO_SUPPLY)
        spread, dof = scatter(groups.values())
        half = last_digit(value for values in groups.values() for value in values) / 2.0 or LEAST_DIGIT_A / 2.0
        left = float(np.mean(groups["after"]) - np.mean(groups["before"]))  # the instrument's offset is in both
        u = spread * math.sqrt(sum(1.0 / len(values) for values in groups.values()))
        remedy = "more readings of the supply's current"
        noise = normal(left, u, "A", self._source("scatter of the supply current"), dof, remedy)
        return shifted(
            noise,
            **{
                when: rectangular(0.0, half, "A", self._source(f"last digit of the supply current {when}"))
                for when in groups
            },
        )

    def _shaft_held(self, rows: Observation) -> Quantity:
        if self._no_loop:
            raise MeasurementError(self._no_loop)
        return exact(float(fall.held(rows, self.spec, self.motor)), "1")

    def _start(self, rows: Observation) -> Quantity:
        if not rows.whole("own_pace"):
            raise MeasurementError("firmware that is called has no start")
        if self._ran_again:
            return exact(3.0, "1")
        return exact(float(self._moves.start or (2 if self._went_back else 0)), "1")

    @cached_property
    def _ran_again(self) -> bool:
        """Whether the loop, started again, had to be let go; of a record older than that start: no."""
        rows = self._observation("loop")
        return rows.states("ran_again") and bool(rows.numbers("ran_again"))

    @cached_property
    def _went_back(self) -> bool | None:
        """Whether the loop, started where the shaft was drawn aside unread, went back to where it had been read."""
        again = self._by_name.get(f"{self.motor}.conduct.again")
        if again is None or not self._moves.follows:
            return None
        return self._moves.goes_back(again.si("count") / self._observation("loop").whole("move"))

    def _following(self, rows: Observation) -> Quantity:
        silent = bool(rows.whole("own_pace") and rows.whole("traced")) and self._kind_of_trace is Trace.NOTHING
        following = self._moves.following
        return exact(float(Following.NO_PASS if following is Following.NOT and silent else following), "1")

    def _far(self, rows: Observation) -> Quantity:
        moves = movement(rows)
        if moves.exceeds(rows.number("limit")):
            raise MeasurementError("because the trace tells of other demands than are put out")
        return exact(float(moves.the_long_way), "1")

    def _brake(self, rows: Observation) -> Quantity:
        left = rows.numbers("brake")
        if not left:
            if rows.rows("ran") or self._ran_again:
                raise MeasurementError("because the loop was not ended in order: its shaft had to be let go")
            raise MeasurementError("needs brake(motor) of the firmware (drive contract)")
        enabled, *shares = left
        return exact(0.0 if enabled and not any(shares) else (2.0 if any(shares) else 1.0), "1")

    def _trace(self, rows: Observation) -> Quantity:
        if not rows.whole("traced"):
            raise MeasurementError("needs trace(motor, hook) of the firmware (drive contract)")
        kind = self._kind_of_trace
        far = self._by_name.get(f"{self.motor}.conduct.far")
        if kind is Trace.SOUND and far is not None and movement(far).exceeds(far.number("limit")):
            kind = Trace.BEYOND
        return exact(float(kind), "1")

    def _demand_growth(self, rows: Observation) -> Quantity:
        moves = self._moves
        if moves.ran is not None:
            raise MeasurementError("because the loop was not closed again: its shaft had to be let go")
        if not rows.whole("traced") or self._kind_of_trace is not Trace.SOUND:
            raise MeasurementError("needs trace(motor, hook) of the firmware, which tells what is so (drive contract)")
        value, u, dof = growth(moves)
        closed = rows.si("leg") >= STARTED
        share = HOLD_S / (float(np.ptp(rows.si("t")[closed])) / LAST)  # of as many legs
        remedy = "hold an error for longer"
        return shifted(
            normal(value * share, u * share, "1", self._source("demand of a held error"), dof, remedy),
            rounding=rectangular(0.0, ROUNDING, "1", self._source("demands in whole numbers"), remedy),
        )

    def _passes_after_off(self, rows: Observation) -> Quantity:
        if not rows.whole("traced"):
            raise MeasurementError("needs trace(motor, hook) of the firmware (drive contract)")
        ended = rows.series("passes_after")
        if not ended:
            raise MeasurementError("because the loop was not ended in order: its shaft had to be let go")
        return exact(float(max(max(values) for values in ended.values())), "1")

    def _limit_missed(self, rows: Observation) -> Quantity:
        stopped = rows.numbers("limited")
        if not stopped:
            raise MeasurementError("because a loop that does not follow never comes to its limit")
        return exact(float(not stopped[0]), "1")

    def _deadman_late(self, rows: Observation) -> Quantity:
        late = rows.number("taken_s") - self.spec.board.deadman_s
        return rectangular(late, STEP_S, "s", self._source("pause of the board's look"))
