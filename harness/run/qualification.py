"""The run of a qualification: one decision over N numbers, planned before anything is measured (`planning`).

Runs the checks in an order in which each one's preconditions are known, judges, looks for causes, and keeps all of
it in the record as it comes. What cannot be run stands there with the reason and what to add, never left out in
silence.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from harness.base.clock import WallClock
from harness.base.errors import (
    BenchError,
    ExitCode,
    FirmwareFault,
    HarnessError,
    LeftLive,
    MeasurementError,
    MissingCapability,
    StoppedByBoard,
)
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, order_first, order_of, signals_held
from harness.bench.stops import in_words
from harness.checks import registry
from harness.checks.catalogue import quantities_of, row_of
from harness.checks.definition import Check, CheckNamed
from harness.judge import verdict as rules
from harness.judge.diagnosis import Diagnosis, diagnose
from harness.judge.preconditions import loop_unsafe, place_differs, trace_differs
from harness.judge.tally import exit_code
from harness.nouns import mounting
from harness.nouns.activity import Activity
from harness.nouns.contract import Declared
from harness.nouns.loop_span import LoopSpan, not_exercised
from harness.nouns.names import LIMITS, Name
from harness.nouns.observation import Observation
from harness.nouns.results import Curve, Expectation, Gauge, Measurement, Outcome, Unmeasured, Verdict, VerdictKind
from harness.plan import order
from harness.plan.order import BOTH, PlannedCheck
from harness.record import RecordWriter
from harness.record.entries import PlanEntries, RiskEntry
from harness.run import planning
from harness.run.curves import curves
from harness.run.explanation import explanation
from harness.run.progress import Progress
from harness.run.unmeasured import cannot_tell, not_run

Result = Measurement | Unmeasured


class Qualification:
    """The run of one qualification on an opened rig."""

    def __init__(
        self,
        rig: Rig,
        record: RecordWriter,
        *,
        only: Sequence[str] = (),
        require_all: bool = False,
        runs_sharing_risk: int = 1,
        gauge: Mapping[str, Gauge] | None = None,
        on_step: Callable[[Activity, float | None], None] | None = None,
        check_named: CheckNamed = registry.check_named,
    ) -> None:
        self.rig = rig
        self.spec = rig.spec
        self.record = record
        self.selected = order.selected_checks(only)
        self._check_named = check_named
        self.plan = planning.plan(rig, self.selected, check_named)
        planned = {key for entry in self.plan for name in entry.names for key in Name(name).keys}
        self.required = (
            tuple(self.selected)
            if require_all
            else tuple(name for name in self.spec.rig.required if not only or name in planned)
        )
        names = [name for entry in self.plan if not entry.reason for name in entry.names]
        self.rule = order.rule_for(rig.spec, names, runs_sharing_risk, gauge)
        self.results: dict[str, Result] = {}
        self.expectations: dict[str, Expectation] = {}
        self.verdicts: list[Verdict] = []
        self.diagnosis = Diagnosis()
        self.stop: BaseException | None = None
        """What ended the run before its end."""
        self.stops: list[Verdict] = []
        """Stops that the board under test provoked; what does not need the motor goes on after them."""
        self._done: set[tuple[str, str]] = set()
        self._loop_spans: dict[str, list[LoopSpan]] = {
            entry.motor: [] for entry in self.plan if row_of(entry.check).closes_loop and entry.motor != BOTH
        }
        self._now = ("", "")
        """Check and motor whose turn it is."""
        self._on_step = on_step or (lambda _activity, _remaining_s: None)
        self._progress = Progress(
            [(entry.check, entry.motor) for entry in self.plan if not entry.reason],
            usual_s=planning.usual_seconds(self.spec, rig.declared, check_named),
            in_seconds=self.spec.clock is None,
            clock=WallClock(),
        )
        heated = [entry.motor for entry in self.plan if entry.check == "thermal" and not entry.reason]
        record.plan(
            PlanEntries(
                planned=tuple(name for entry in self.plan for name in entry.names),
                risk=RiskEntry(
                    false_alarm=self.rule.false_alarm_risk,
                    false_acceptance=self.rule.false_acceptance_risk,
                    planned=self.rule.planned,
                    runs_sharing_risk=self.rule.runs_sharing_risk,
                    each=self.rule.risk_each,
                ),
                not_supervised=tuple(rig.not_supervised(heated)),
                missing=tuple(planning.missing_things(rig)),
                required=tuple(self.required),
            )
        )

    # --- running -----------------------------------------------------------------------------------

    def run(self, check: str, motor: str) -> None:
        """Run a check, once, and first what it needs to know. What ends the bench's work is raised after recording."""
        if (check, motor) in self._done:
            return
        for before in order.needed_first(check, motor, self.rig.motors):
            self.run(*before)
        self._done.add((check, motor))
        entry = next((e for e in self.plan if (e.check, e.motor) == (check, motor)), None)
        if entry is None:
            entry = planning.planned_check(self.rig, check, motor, self._check_named)
        if self.stop is not None:
            self._leave_out(entry, f"because the run was {why_stopped(self.stop)}")
            return
        reason = self._after_stop(motor)
        if reason:
            if not entry.reason:
                self._progress.leave_out(check, motor)
            self._leave_out(entry, reason)
            return
        if not entry.reason:
            self._progress.begin(check, motor)
            self.record.begin(check if motor == BOTH else f"{motor} {check}")
        self._now = check, motor
        self._show(check, motor, 0.0)
        try:
            stopped = self._tried(entry)
            if stopped is not None:
                self._stopped(entry, stopped)
        except BaseException as error:
            self.ended_by(error, entry)
            raise

    def ended_by(self, error: BaseException, entry: PlannedCheck | None = None) -> None:
        """Make safe at once, and record why the run ended before its end; the first reason stands."""
        if self.stop is not None:
            return
        self.stop = error
        with signals_held():
            self.rig.note_trouble(error)
            unsafe = self.rig.make_safe()
            words = str(error) or type(error).__name__
            kind = "bench" if is_bench(error) else "defect"
            self.record.stop(kind, words, by_hand=order_of(unsafe))
            if entry is not None:
                self._leave_out(entry, f"because the run was {why_stopped(error)}")

    def finish(self, *, whole: bool = True) -> ExitCode:
        """Account for what was planned and not reached, look for causes, and give the exit code by its precedence.

        `whole=False`: not every planned check was to be run (a person's own tests asked for some).
        """
        forgotten = [entry for entry in self.plan if (entry.check, entry.motor) not in self._done]
        for entry in forgotten:
            why = f"the run was {why_stopped(self.stop)}" if self.stop is not None else "the run ended before it"
            self._done.add((entry.check, entry.motor))
            self._leave_out(entry, f"because {why}")
        self.record.leave_unexercised(not_exercised(self._loop_spans, self.spec.limits.travel_rad))
        self._diagnose()
        if self.stop is not None:
            return ExitCode.BENCH if is_bench(self.stop) else ExitCode.DEFECT
        if forgotten and whole:
            return ExitCode.DEFECT
        return exit_code(self.verdicts, self.required)

    def reach(self, name: str) -> list[Verdict]:
        """The verdicts on a planned quantity, running its check if that was not done. Raises as `run` does.

        A stop that the board provoked on the way is a verdict too, and is told once.
        """
        entry = next(entry for entry in self.plan if name in entry.names)
        before = len(self.stops)
        self.run(entry.check, entry.motor)
        return [*self.stops[before:], *self.verdicts_of(name)]

    def expected(self, name: str) -> Expectation | None:
        """What the models predict for a planned quantity, without measuring it."""
        if name not in self.expectations:
            entry = next(entry for entry in self.plan if name in entry.names)
            return next((expectation for expectation in self._predicted(entry) if expectation.name == name), None)
        return self.expectations[name]

    def verdicts_of(self, name: str) -> list[Verdict]:
        """Verdicts on one quantity, by full name."""
        return [entry for entry in self.verdicts if entry.name == name]

    def progress(self, activity: Activity) -> None:
        """Show what the running check does now, and how far it is."""
        self._show(*self._now, activity.fraction, activity.words, activity.count)

    # --- inside ------------------------------------------------------------------------------------

    def _tried(self, entry: PlannedCheck) -> StoppedByBoard | None:
        """Measure and judge; what the board was stopped by, if it was."""
        try:
            results, observations = self._measured(entry)
        except StoppedByBoard as error:
            return error
        self._take(entry, results, observations)
        return self._left_live(entry, results)

    def _left_live(self, entry: PlannedCheck, results: Sequence[Result]) -> LeftLive | None:
        """What a check that has run left live, by the pins; its numbers stand."""
        if all(isinstance(result, Unmeasured) and result.outcome is Outcome.NOT_RUN for result in results):
            return None
        try:
            self.rig.require_off(entry.check)
        except LeftLive as error:
            return error
        return None

    def _stopped(self, entry: PlannedCheck, error: StoppedByBoard) -> None:
        """Make safe, let the stop stand as a verdict, and get the bench back for what does not need this motor.

        Raises BenchError where it cannot be had back: that ends the run.
        """
        unsafe = self.rig.make_safe()
        self._progress.end(whole=False)
        words = in_words(error, self.spec, entry.motor)
        if isinstance(error, FirmwareFault):
            motor = "" if entry.motor == BOTH or isinstance(error, LeftLive) else entry.motor
            verdict = rules.at_fault(motor, error.what, f"in {entry.check}: {words}")
            left = f"because the firmware is at fault: {words}"
        else:
            left = f"because the board was stopped: {words}"
            verdict = Verdict(
                name=f"{entry.prefix}.{LIMITS}", kind=VerdictKind.STOP, outcome=Outcome.NONCONFORMING, reason=words
            )
        self.stops.append(verdict)
        self._account(verdicts=[verdict])
        self._leave_out(entry, left)
        if unsafe:
            causes = "; ".join(outcome.words for outcome in unsafe)
            raise BenchError(f"after the board was stopped ({words}): {causes}")
        self.rig.bring_back()

    def _after_stop(self, motor: str) -> str:
        """Why a motor is left alone since the board was stopped on it; "" if it was not."""
        for stop in self.stops:
            name = Name(stop.name)
            if motor == BOTH or name.motor in (motor, ""):
                return f"because {stop_in_words(stop)}"
        return ""

    def _measured(self, entry: PlannedCheck) -> tuple[list[Result], list[Observation]]:
        if entry.reason:
            return not_run(entry.names, entry.reason), []
        check, motor = self._check_named(entry.check), entry.motor
        blocked = self._loop_blocked(entry)
        # Nor is a field held then: it would stand where another motor's does, and a fit of it would say nothing.
        if blocked and (check.without_loop is None or place_differs(motor, self.verdicts)):
            return not_run(entry.names, blocked), []
        if check.row.powered:
            self.rig.power_on()
        try:
            stimulus = check.stimulus(self.spec, self._declared(motor), motor)
            if blocked and check.without_loop is not None:
                observations = check.without_loop(self.rig, motor, stimulus, blocked)
            else:
                observations = check.procedure(self.rig, motor, stimulus)
        except MissingCapability as error:
            return not_run(entry.names, str(error)), []
        except MeasurementError as error:
            return cannot_tell(entry.names, str(error)), []
        try:
            results = check.analysis(observations, self.spec, motor)
        except MeasurementError as error:
            return cannot_tell(entry.names, str(error)), []
        return results, observations

    def _take(self, entry: PlannedCheck, results: Sequence[Result], observations: Sequence[Observation]) -> None:
        names = {result.name for result in results}
        if names != set(entry.names) or len(results) != len(entry.names):
            missing, extra = sorted(set(entry.names) - names), sorted(names - set(entry.names))
            raise HarnessError(
                f"{entry.motor} {entry.check}: planned quantities without a result: {missing}, "
                f"results that were not planned: {extra}"
            )
        check = self._check_named(entry.check)
        _check_units(results, check, self.rig.motors)
        expectations = self._predicted(entry)
        verdicts = rules.judge_all(results, expectations, self.rule)
        self._account(results=results, expectations=expectations, verdicts=verdicts)
        if entry.motor != BOTH:
            self.rig.note_mounting(entry.motor, mounting.measured(entry.motor, self.results))
        declared = self._declared(entry.motor)
        if drawn := curves(check, observations, self.spec, declared, entry.motor):
            self._account(curves=drawn)
        if check.loop_spans is not None and observations:
            with contextlib.suppress(MeasurementError):  # its quantities have said so
                spans = check.loop_spans(observations, self.spec, entry.motor)
                self._loop_spans.setdefault(entry.motor, []).extend(spans)
        self._progress.end(whole=bool(observations))
        self._show(entry.check, entry.motor, 0.0)

    def _leave_out(self, entry: PlannedCheck, reason: str) -> None:
        """Account for those quantities of a check that have no result."""
        results = not_run([name for name in entry.names if name not in self.results], reason)
        verdicts = rules.judge_all(results, [], self.rule)
        self._account(results=results, verdicts=verdicts)

    def _account(
        self,
        *,
        results: Sequence[Result] = (),
        expectations: Sequence[Expectation] = (),
        verdicts: Sequence[Verdict] = (),
        curves: Sequence[Curve] = (),
    ) -> None:
        """Take into the run and its record; a stop signal waits, so that neither has what the other lacks."""
        with signals_held():
            self.results.update({result.name: result for result in results})
            self.expectations.update({expectation.name: expectation for expectation in expectations})
            self.verdicts += verdicts
            self.record.add(results=results, expectations=expectations, verdicts=verdicts, curves=curves)

    def _predicted(self, entry: PlannedCheck) -> list[Expectation]:
        return self._check_named(entry.check).model(self.spec, self._declared(entry.motor), entry.motor)

    def _declared(self, motor: str) -> Declared:
        """What the firmware declares for a motor; of both together, for the first."""
        return self.rig.declared.get(motor) or next(iter(self.rig.declared.values()))

    def _loop_blocked(self, entry: PlannedCheck) -> str:
        """Why the firmware's loop must not be closed; "" if it may."""
        if not row_of(entry.check).closes_loop:
            return ""
        for motor in self.rig.motors if entry.motor == BOTH else (entry.motor,):
            reason = loop_unsafe(motor, self.rig.declared[motor], self.results, self.verdicts)
            if reason:
                return reason
            if row_of(entry.check).calls("trace") and (reason := trace_differs(motor, self.verdicts)):
                return reason
        return ""

    def _diagnose(self) -> None:
        self.diagnosis = diagnose(self.verdicts, self.rule)
        causes, diagnosis = explanation(self.diagnosis)
        self.record.explain(causes, diagnosis, whole=self.stop is None)

    def _show(self, check: str, motor: str, fraction: float, doing: str = "", count: str = "") -> None:
        words = (check if motor == BOTH else f"{motor}: {check}") + (f", {doing}" if doing else "")
        progress = self._progress
        activity = Activity(words=words, fraction=progress.fraction(fraction), count=count)
        self._on_step(activity, progress.remaining_s(fraction))


def _check_units(results: Iterable[Result], check: Check[Any], motors: Sequence[str]) -> None:
    """Raises HarnessError for a number in another unit than its check states: it would be read as something else."""
    stated = quantities_of(check.row, motors)
    for result in results:
        if isinstance(result, Measurement):
            unit = stated[Name(result.name).quantity].unit
            if result.quantity.unit != unit:
                found = result.quantity.unit or "none"
                raise HarnessError(
                    f"{result.name}: expected a measurement in {unit}, as its check states, found {found}"
                )


def why_stopped(error: BaseException) -> str:
    """`stopped by Ctrl-C`, or `stopped: ` and what was raised."""
    words = order_first(error)[1] or type(error).__name__
    return words if isinstance(error, StopSignal) else f"stopped: {words}"


def stop_in_words(stop: Verdict) -> str:
    """Where the board was stopped and why, or what its firmware is at fault of."""
    if stop.kind is VerdictKind.CONDUCT:
        return f"the firmware is at fault, {stop.name}: {stop.reason}"
    return f"the board was stopped in {Name(stop.name).prefix.replace('.', ' ')}: {stop.reason}"


def is_bench(error: BaseException) -> bool:
    """Whether what ended a run says something about the bench, not about us or the board."""
    return isinstance(error, BenchError | KeyboardInterrupt) or (
        isinstance(error, HarnessError) and error.exit_code is ExitCode.USAGE
    )
