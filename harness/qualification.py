"""A qualification: one decision over N numbers, N fixed before anything is measured.

Plans every quantity of every check that the rig can run, runs the checks in an order in which each one's
preconditions are known, judges, looks for causes, and keeps all of it in the record as it comes. What cannot be
run stands there with the reason and what to add, never left out in silence.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from types import ModuleType
from typing import Any, cast

from harness import verdict as rules
from harness.bench.rig import Rig
from harness.catalogue import CHECK_NAMES, CHECKS, check_of
from harness.diagnosis import CauseFound, Diagnosis, diagnose
from harness.errors import BenchError, ExitCode, HarnessError, MeasurementError, MissingCapability, StoppedByBoard
from harness.expectation import MODELS, expect
from harness.observation import Observation
from harness.record import RecordWriter
from harness.results import Curve, Expectation, Measurement, Outcome, Requirement, Unmeasured, Verdict
from harness.rigfile import RigSpec
from harness.tally import exit_code

BOTH = "together"
CLOSED_LOOP = ("stiffness", "step", BOTH)
"""Checks that let the firmware close its loop; swapped phases would make it a runaway."""
OFFSET_LIMIT_RAD = math.radians(30.0)
"""Largest difference of measured and declared electrical offset at which the loop is closed. Common practice, no
source: half the torque is left at 60 degrees, and none at 90."""
WEIGHTS = {"commutation": 1.3, "stiffness": 5.4, "step": 2.9, "thermal": 2.0, BOTH: 1.5}
"""Share of each check in the whole, for the progress shown only: wall time of a run on the virtual bench."""

Result = Measurement | Unmeasured


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One check on one motor (or both together), its quantities by full name, why it cannot run ("" if it can)."""

    check: str
    motor: str
    names: tuple[str, ...]
    reason: str = ""


class Qualification:
    """The run of one qualification on an opened rig."""

    def __init__(
        self,
        rig: Rig,
        record: RecordWriter,
        *,
        only: Sequence[str] = (),
        require_all: bool = False,
        on_step: Callable[[str, float], None] | None = None,
    ) -> None:
        self.rig = rig
        self.spec = rig.spec
        self.record = record
        self.selected = selected_checks(only)
        self.required = (
            tuple(self.selected)
            if require_all
            else tuple(name for name in self.spec.rig.required if not only or check_of(name) in self.selected)
        )
        self.plan = tuple(self._planned(check, motor) for check, motor in runs(self.selected, rig.motors))
        self.rule = rule_for(rig, [name for entry in self.plan if not entry.reason for name in entry.names])
        self.results: dict[str, Result] = {}
        self.expectations: dict[str, Expectation] = {}
        self.verdicts: list[Verdict] = []
        self.diagnosis = Diagnosis()
        self.stop: BaseException | None = None
        self._done: set[tuple[str, str]] = set()
        self._on_step = on_step or (lambda _text, _fraction: None)
        rig.observed = record.keep
        record.put(
            planned=[name for entry in self.plan for name in entry.names],
            risk={
                "false_alarm": self.rule.false_alarm_risk,
                "false_acceptance": self.rule.false_acceptance_risk,
                "planned": self.rule.planned,
                "each": self.rule.risk_each,
            },
            not_supervised=rig.not_supervised(),
            missing=missing_things(rig),
            required=list(self.required),
        )

    # --- running -----------------------------------------------------------------------------------

    def run(self, check: str, motor: str) -> None:
        """Run a check, once, and first what it needs to know. What ends the bench's work is raised after recording."""
        if (check, motor) in self._done:
            return
        if check in CLOSED_LOOP:
            for other in self.rig.motors if motor == BOTH else (motor,):
                self.run("commutation", other)
        self._done.add((check, motor))
        entry = next((e for e in self.plan if (e.check, e.motor) == (check, motor)), None)
        if entry is None:
            entry = self._planned(check, motor)
        if self.stop is not None:
            self._leave_out(entry, f"because the run was stopped: {self.stop}")
            return
        self._show(check, motor, 0.0)
        self.rig.shown = lambda text, fraction: self._show(check, motor, fraction, text)
        try:
            results, observations = self._measured(entry)
            self._take(entry, results, observations)
        except BaseException as error:
            self.ended_by(error, entry)
            raise

    def run_all(self) -> None:
        """Every planned check, in order."""
        for entry in self.plan:
            self.run(entry.check, entry.motor)

    def ended_by(self, error: BaseException, entry: Planned | None = None) -> None:
        """Make safe at once, and record why the run ended before its end; the first reason stands."""
        if self.stop is not None:
            return
        self.stop = error
        self.rig.note_trouble(error)
        troubles = self.rig.make_safe()
        kind = "board" if isinstance(error, StoppedByBoard) else "bench" if is_bench(error) else "defect"
        words = str(error) or type(error).__name__
        self.record.stop(kind, "; ".join([words, *(f"then {trouble}" for trouble in troubles)]))
        if entry is None:
            return
        if isinstance(error, StoppedByBoard):
            stopped = Verdict(name=f"{entry.motor}.{entry.check}.limits", outcome=Outcome.NONCONFORMING, reason=words)
            self.verdicts.append(stopped)
            self.record.add(verdicts=[stopped])
        self._leave_out(entry, f"because the run was stopped: {words}")

    def finish(self, *, whole: bool = True) -> ExitCode:
        """Account for what was planned and not reached, look for causes, and give the exit code by its precedence.

        `whole=False`: not every planned check was to be run (a person's own tests asked for some).
        """
        forgotten = [entry for entry in self.plan if (entry.check, entry.motor) not in self._done]
        for entry in forgotten:
            why = f"the run was stopped: {self.stop}" if self.stop is not None else "the run ended before it"
            self._done.add((entry.check, entry.motor))
            self._leave_out(entry, f"because {why}")
        self._diagnose()
        if self.stop is not None and not isinstance(self.stop, StoppedByBoard):
            return ExitCode.BENCH if is_bench(self.stop) else ExitCode.DEFECT
        if forgotten and whole and self.stop is None:
            return ExitCode.DEFECT
        return exit_code(self.verdicts, self.required)

    def reach(self, name: str) -> list[Verdict]:
        """The verdicts on a planned quantity, running its check if that was not done. Raises as `run` does,
        except for a stop that the board provoked: that is a verdict."""
        entry = next(entry for entry in self.plan if name in entry.names)
        try:
            self.run(entry.check, entry.motor)
        except StoppedByBoard:
            return [*self.verdicts_of(f"{entry.motor}.{entry.check}.limits"), *self.verdicts_of(name)]
        return self.verdicts_of(name)

    def expected(self, name: str) -> Expectation | None:
        """What the models predict for a planned quantity, without measuring it."""
        if name not in self.expectations:
            entry = next(entry for entry in self.plan if name in entry.names)
            return next((found for found in self._predicted(entry) if found.name == name), None)
        return self.expectations[name]

    def verdicts_of(self, name: str) -> list[Verdict]:
        """Verdicts on one quantity, by full name."""
        return [entry for entry in self.verdicts if entry.name == name]

    # --- inside ------------------------------------------------------------------------------------

    def _planned(self, check: str, motor: str) -> Planned:
        module = measuring(check)
        names = planned_names(module, check, motor, self.rig.motors)
        return Planned(check=check, motor=motor, names=names, reason=lacking(self.rig, module, check, motor))

    def _measured(self, entry: Planned) -> tuple[list[Result], list[Observation]]:
        if entry.reason:
            return not_run(entry.names, entry.reason), []
        module = measuring(entry.check)
        options: dict[str, Any] = {}
        blocked = self._loop_blocked(entry)
        if blocked:
            if not accepts(module.procedure, "closed_loop"):
                return not_run(entry.names, blocked), []
            options["closed_loop"] = False
        if accepts(module.procedure, "large_steps"):
            model = import_module(MODELS[entry.check])
            options["large_steps"] = not model.expected_to_hunt(self.spec, self.rig.declared[entry.motor], entry.motor)
        self.rig.power_on()
        try:
            observations: list[Observation] = module.procedure(self.rig, entry.motor, **options)
        except MissingCapability as error:
            return not_run(entry.names, str(error)), []
        except MeasurementError as error:
            return [Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=str(error)) for name in entry.names], []
        try:
            results: list[Result] = list(module.analyse(observations, self.spec, entry.motor))
        except MeasurementError as error:
            return [Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=str(error)) for name in entry.names], []
        if blocked:
            found = {result.name for result in results}
            results += not_run([name for name in entry.names if name not in found], blocked)
        return results, observations

    def _take(self, entry: Planned, results: Sequence[Result], observations: Sequence[Observation]) -> None:
        found = {result.name for result in results}
        if found != set(entry.names) or len(results) != len(entry.names):
            missing, extra = sorted(set(entry.names) - found), sorted(found - set(entry.names))
            raise HarnessError(
                f"{entry.motor} {entry.check}: planned quantities without a result: {missing}, "
                f"results that were not planned: {extra}"
            )
        expectations = self._predicted(entry)
        verdicts = rules.judge_all(results, expectations, self.rule)
        self.results.update({result.name: result for result in results})
        self.expectations.update({expectation.name: expectation for expectation in expectations})
        self.verdicts += verdicts
        self.record.add(results=results, expectations=expectations, verdicts=verdicts)
        if observations:
            self.record.add(curves=self._curves(entry, observations))
        self._show(entry.check, entry.motor, 1.0)

    def _leave_out(self, entry: Planned, reason: str) -> None:
        """Account for those quantities of a check that have no result."""
        results = not_run([name for name in entry.names if name not in self.results], reason)
        self.results.update({result.name: result for result in results})
        verdicts = rules.judge_all(results, [], self.rule)
        self.verdicts += verdicts
        self.record.add(results=results, verdicts=verdicts)

    def _predicted(self, entry: Planned) -> list[Expectation]:
        declared = self.rig.declared.get(entry.motor) or next(iter(self.rig.declared.values()))
        return expect(entry.check, self.spec, declared, entry.motor)

    def _curves(self, entry: Planned, observations: Sequence[Observation]) -> list[Curve]:
        """Measured curves with the model over the same x; a curve that cannot be had costs only the picture."""
        module = measuring(entry.check)
        if not hasattr(module, "curves"):
            return []
        model = import_module(MODELS[entry.check])
        try:
            curves: list[Curve] = list(module.curves(observations, self.spec, entry.motor))
        except MeasurementError:
            return []
        overlay = getattr(model, "overlay", None)
        declared = self.rig.declared.get(entry.motor) or next(iter(self.rig.declared.values()))
        drawn: list[Curve] = []
        for curve in curves:
            x = sorted({point[0] for points in curve.series.values() for point in points})
            rows = overlay(curve.name, x, self.spec, declared, entry.motor) if overlay and not curve.model else None
            joined = tuple((at, value, u) for at, (value, u) in zip(x, rows, strict=True)) if rows else curve.model
            drawn.append(replace(curve, model=joined))
        return drawn

    def _loop_blocked(self, entry: Planned) -> str:
        """Why the firmware's loop must not be closed; "" if it may."""
        if entry.check not in CLOSED_LOOP:
            return ""
        for motor in self.rig.motors if entry.motor == BOTH else (entry.motor,):
            reason = self._loop_unsafe(motor)
            if reason:
                return reason
        return ""

    def _loop_unsafe(self, motor: str) -> str:
        declared = self.rig.declared[motor]
        for quantity in ("direction", "pole_pairs", "phase_order", "offset"):
            name = f"{motor}.commutation.{quantity}"
            if any(entry.outcome is Outcome.DIFFERS for entry in self.verdicts_of(name)):
                return f"because {name} differs: the loop could run away"
        for quantity in ("direction", "pole_pairs", "offset"):
            if not isinstance(self.results.get(f"{motor}.commutation.{quantity}"), Measurement):
                return f"because {motor}.commutation.{quantity} is not known: the loop could run away"
        pole_pairs = round(self._value(f"{motor}.commutation.pole_pairs"))
        direction = self._value(f"{motor}.commutation.direction")
        if pole_pairs != declared.pole_pairs or direction * declared.direction <= 0.0:
            return f"because {motor}'s pole pairs or direction are not those that the firmware declares"
        turn = math.tau * declared.offset_count / declared.counts_per_turn
        declared_offset = -declared.direction * declared.pole_pairs * turn
        apart = math.remainder(self._value(f"{motor}.commutation.offset") - declared_offset, math.tau)
        if abs(apart) > OFFSET_LIMIT_RAD:
            return (
                f"because {motor}'s electrical offset is {math.degrees(apart):+.0f} degrees from the one that the "
                "firmware declares: the loop could run away"
            )
        return ""

    def _value(self, name: str) -> float:
        result = self.results[name]
        return result.quantity.value if isinstance(result, Measurement) else math.nan

    def _diagnose(self) -> None:
        self.diagnosis = diagnose(self.verdicts, self.rule)
        found = self.diagnosis
        self.record.put(
            causes=[{**cause_entry(cause), "parted_by": ", ".join(found.parted_by)} for cause in found.causes],
            diagnosis={
                "known": found.known,
                "words": found.words,
                "differs": list(found.differs),
                "parted_by": list(found.parted_by),
            },
        )

    def _show(self, check: str, motor: str, fraction: float, text: str = "") -> None:
        total = sum(WEIGHTS[entry.check] for entry in self.plan) or 1.0
        done = sum(
            WEIGHTS[entry.check]
            for entry in self.plan
            if (entry.check, entry.motor) in self._done and (entry.check, entry.motor) != (check, motor)
        )
        words = f"{check}" if motor == BOTH else f"{motor}: {check}"
        self._on_step(words + (f", {text}" if text else ""), min((done + WEIGHTS[check] * fraction) / total, 1.0))


def selected_checks(only: Sequence[str]) -> tuple[str, ...]:
    """The checks asked for, all if none is, in order, with what they need first."""
    wanted = set(only or CHECK_NAMES)
    if wanted & set(CLOSED_LOOP):
        wanted.add("commutation")
    return tuple(name for name in CHECK_NAMES if name in wanted)


def runs(selected: Iterable[str], motors: Sequence[str]) -> list[tuple[str, str]]:
    """(check, motor) in the order of the bench: one motor after the other, then both together."""
    chosen = set(selected)
    ordered = [(check.name, motor) for motor in motors for check in CHECKS if check.per_motor and check.name in chosen]
    return ordered + [(check.name, BOTH) for check in CHECKS if not check.per_motor and check.name in chosen]


def measuring(check: str) -> ModuleType:
    """The module that measures a check."""
    return import_module(f"harness.measure.{check}")


def planned_names(module: ModuleType, check: str, motor: str, motors: Sequence[str]) -> tuple[str, ...]:
    """Full names of a check's quantities; MOTOR stands for each motor of the rig."""
    names: list[str] = []
    for quantity in cast("Sequence[str]", module.PLANNED):
        short = quantity.rpartition(".")[2]
        names += [short.replace("MOTOR", each) for each in motors] if "MOTOR" in short else [short]
    prefix = check if motor == BOTH else f"{motor}.{check}"
    return tuple(f"{prefix}.{name}" for name in names)


def lacking(rig: Rig, module: ModuleType, check: str, motor: str) -> str:
    """Why a rig cannot run a check, with what to add; "" if it can."""
    if motor == BOTH and len(rig.motors) < 2:
        return "needs two motors: add a second [motor.NAME]"
    parts = [part for part in rig.missing_parts() if check in part.rpartition("needed by ")[2].split(", ")]
    if parts:
        return f"the firmware lacks {parts[0].split(':')[0]}: add it (drive contract)"
    needs = getattr(module, "needs", None)
    if callable(needs):
        return str(needs(rig.spec)) if len(inspect.signature(needs).parameters) == 1 else str(needs(rig.spec, motor))
    for need in cast("Sequence[str]", getattr(module, "NEEDS", ())):
        if need in ("supply", "thermometer") and getattr(rig, need) is None:
            return f"needs a {need}: add an [instrument.NAME] of class {need}"
        if need == "multimeter" and rig.multimeter(motor) is None:
            return f"needs a multimeter: add an [instrument.NAME] of class multimeter across two terminals of {motor}"
        if need == "load" and motor != BOTH and rig.spec.motor[motor].load is None:
            return f"needs a known torque: add [motor.{motor}.load]"
    return ""


def rule_for(rig: Rig, names: Sequence[str]) -> rules.Rule:
    """The rule, fixed before measuring: how many decisions, at which risks, and what must be seen."""
    spec = rig.spec
    requirements = {
        name: Requirement(name=name, low=entry.min, high=entry.max) for name, entry in spec.requirements.items()
    }
    return rules.Rule(
        planned=max(1, rules.decisions(names, requirements)),
        false_alarm_risk=spec.rig.false_alarm_risk,
        false_acceptance_risk=spec.rig.false_acceptance_risk,
        detect=spec.detect,
        requirements=requirements,
    )


def not_run(names: Iterable[str], reason: str) -> list[Result]:
    """Planned quantities without a number, and why."""
    return [Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason=reason) for name in names]


def accepts(function: Callable[..., object], parameter: str) -> bool:
    """Whether a function takes a parameter of that name."""
    return parameter in inspect.signature(function).parameters


def is_bench(error: BaseException) -> bool:
    """Whether what ended a run says something about the bench, not about us or the board."""
    return isinstance(error, BenchError | KeyboardInterrupt) or (
        isinstance(error, HarnessError) and error.exit_code is ExitCode.USAGE
    )


def missing_things(rig: Rig) -> list[dict[str, str]]:
    """What this rig lacks, and what each would add."""
    found: list[dict[str, str]] = []
    if rig.supply is None:
        found.append(
            {
                "what": "a programmable supply",
                "adds": "a current limit and protection that are set and read "
                "back, switching off by the harness, torque per ampere, supply voltage, currents of the steps",
            }
        )
    without = [motor for motor in rig.motors if rig.multimeter(motor) is None]
    if without:
        found.append(
            {
                "what": f"a multimeter at the terminals of {' and '.join(without)}",
                "adds": "winding resistance, and with it the thermal rise",
            }
        )
    if rig.thermometer is None:
        found.append(
            {
                "what": "a thermometer near the motors",
                "adds": "the temperature of the room, to which rises and resistances refer",
            }
        )
    unloaded = [motor for motor in rig.motors if rig.spec.motor[motor].load is None]
    if unloaded:
        found.append(
            {
                "what": f"a gravity arm on {' and '.join(unloaded)}",
                "adds": "known torque: stiffness, friction, largest torque",
            }
        )
    return found


def cause_entry(cause: CauseFound) -> Mapping[str, Any]:
    """A cause as the record keeps it."""
    return {name: getattr(cause, name) for name in ("name", "words", "motors", "sizes", "explains", "settled_by")}


def planned_quantities(spec: RigSpec, check: str, only: Sequence[str] = ()) -> list[str]:
    """Full names of a check's quantities on a rig, empty if the check was not chosen."""
    selected = selected_checks(only)
    module = measuring(check)
    return [
        name
        for planned, motor in runs(selected, spec.motors)
        if planned == check
        for name in planned_names(module, check, motor, spec.motors)
    ]


def place_in_order(name: str, motors: Sequence[str]) -> tuple[int, int]:
    """Sorting key of a quantity: its motor's place, then its check's."""
    check = check_of(name) if name else CHECK_NAMES[0]
    motor = name.split(".", maxsplit=1)[0]
    return (motors.index(motor) if motor in motors else len(motors), CHECK_NAMES.index(check))
