"""Judge a record again: today's analysis, models and rule over the observations as they were taken.

For a correction of an analysis to reach the runs that were made before it, and for anyone who doubts a verdict.
Nothing is measured, nothing of the record is changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from harness.base.errors import ExitCode, MeasurementError, RecordError
from harness.base.versions import version_of, versions
from harness.checks import registry
from harness.checks.definition import Check, CheckNamed
from harness.judge import verdict as rules
from harness.judge.diagnosis import Diagnosis, diagnose
from harness.judge.tally import exit_code
from harness.nouns.contract import Declared
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.results import (
    Curve,
    Expectation,
    Measurement,
    Outcome,
    Unmeasured,
    Verdict,
    VerdictKind,
)
from harness.plan.order import BOTH
from harness.record import Record
from harness.record.parts import DamagedRecord
from harness.record.rewriting import NewResults, rewritten
from harness.rigfile import RigSpec
from harness.run.curves import curves
from harness.run.explanation import explanation
from harness.run.unmeasured import cannot_tell

Result = Measurement | Unmeasured


@dataclass(kw_only=True)
class Judgement:
    """What is made of a record's observations now."""

    results: list[Result] = field(default_factory=list)
    expectations: list[Expectation] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    diagnosis: Diagnosis = field(default_factory=Diagnosis)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCheck:
    """What a record holds of one check on one motor."""

    check: str
    motor: str
    names: tuple[Name, ...]
    """Of its quantities."""
    observations: tuple[Observation, ...]
    results: tuple[Result, ...]
    """As they were found then."""
    expected: bool
    """Whether something was expected of them then."""
    stops: tuple[Verdict, ...]
    """Stops that the board provoked in it."""

    @property
    def whole(self) -> bool:
        """Whether its observations came to an analysis; those of a check that was stopped on the way did not."""
        has_result = any(
            isinstance(result, Measurement) or result.outcome is Outcome.CANNOT_TELL for result in self.results
        )
        return has_result and bool(self.observations)


def judge_again(
    record: Record, spec: RigSpec | None = None, check_named: CheckNamed = registry.check_named
) -> Judgement:
    """Results, expectations, verdicts and causes of a record's observations by the code of today.

    `spec`: another rig file to judge by; otherwise the one in the record. How many decisions at which risks stays as
    it was fixed before measuring. A check that was left out or stopped stays so, with its reasons. Raises RecordError
    where the record cannot be read, UsageError where it is of a check that there is no more.
    """
    if not record.planned and not record.finished:
        raise RecordError(f"{record.folder}: stopped before anything was planned; there is nothing to judge again")
    spec = spec or record.spec
    conduct = [verdict for verdict in record.verdicts if verdict.kind is VerdictKind.CONDUCT]
    rule, made = rule_of(record, spec), Judgement(verdicts=conduct)
    for group in groups(record):
        check, declared = check_named(group.check), _declared(record, group.motor)
        results = _analysed(group, spec, check) if group.whole else _left(group)
        expectations = check.model(spec, declared, group.motor) if group.expected else []
        if group.whole:
            made.curves += curves(check, group.observations, spec, declared, group.motor)
        made.results += results
        made.expectations += expectations
        made.verdicts += [*group.stops, *rules.judge_all(results, expectations, rule)]
    made.diagnosis = diagnose(made.verdicts, rule)
    return made


def record_again(record: Record, check_named: CheckNamed = registry.check_named) -> Record:
    """The record in memory as today's code makes it of the same observations. Raises as `judge_again` does.

    Its exit code is that of the verdicts; a run that did not come to its end never agrees.
    """
    made = judge_again(record, check_named=check_named)
    causes, diagnosis = explanation(made.diagnosis)
    code = exit_code(made.verdicts, record.required)
    if code is ExitCode.AGREES and not record.finished:
        code = ExitCode.UNDECIDED
    findings = NewResults(
        rotorgate=version_of("rotorgate"),
        versions=versions(),
        results=made.results,
        expectations=made.expectations,
        verdicts=made.verdicts,
        curves=made.curves,
        causes=causes,
        diagnosis=diagnosis,
        exit_code=code,
    )
    return rewritten(record, findings)


def groups(record: Record) -> Iterator[KeptCheck]:
    """What was planned, check by check, with what the record holds of it. Raises RecordError."""
    observations = record.observations()
    expected = {Name(expectation.name).prefix for expectation in record.expectations}
    for prefix in dict.fromkeys(Name(name).prefix for name in record.planned):
        names = tuple(Name(name) for name in record.planned if Name(name).prefix == prefix)
        yield KeptCheck(
            check=names[0].check,
            motor=names[0].motor or BOTH,
            names=names,
            observations=tuple(observation for observation in observations if Name(observation.name).prefix == prefix),
            results=tuple(result for result in record.results if Name(result.name).prefix == prefix),
            expected=prefix in expected,
            stops=tuple(
                verdict
                for verdict in record.verdicts
                if verdict.kind is VerdictKind.STOP and Name(verdict.name).prefix == prefix
            ),
        )


def rule_of(record: Record, spec: RigSpec) -> rules.Rule:
    """The rule that a record was to be judged by, with requirements and [detect] of a rig file. Raises RecordError."""
    risk = record.risk
    shares = (risk.false_alarm, risk.false_acceptance)
    if min(risk.planned, risk.runs_sharing_risk) < 1 or not all(0.0 < share < 1.0 for share in shares):
        raise DamagedRecord(record.folder, f"risk: expected decisions and looks from 1, risks between 0 and 1: {risk}")
    return rules.Rule(
        planned=risk.planned,
        runs_sharing_risk=risk.runs_sharing_risk,
        false_alarm_risk=risk.false_alarm,
        false_acceptance_risk=risk.false_acceptance,
        detect=spec.detect,
        requirements=spec.required,
        gauge=record.gauges,
        gauge_share_max=spec.rig.gauge_share_max,
    )


def _analysed(group: KeptCheck, spec: RigSpec, check: Check[Any]) -> list[Result]:
    try:
        results = {result.name: result for result in check.analysis(group.observations, spec, group.motor)}
    except MeasurementError as error:
        return cannot_tell(group.names, str(error))
    gone = "this version's analysis of its check knows no such quantity"
    return [
        results.get(name) or Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=gone) for name in group.names
    ]


def _left(group: KeptCheck) -> list[Result]:
    """Its quantities as they were left without a number."""
    kept, reason = {result.name: result for result in group.results}, "because the run ended before it was judged"
    return [kept.get(name) or Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason=reason) for name in group.names]


def _declared(record: Record, motor: str) -> Declared:
    """What the firmware declared for a motor; of all together, for the first."""
    if not record.declared:
        raise DamagedRecord(record.folder, "declared: expected what the firmware declares for a motor, found nothing")
    return record.declared.get(motor) or next(iter(record.declared.values()))
