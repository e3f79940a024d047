"""Judge a record again: today's analysis, models and rule over the observations as they were taken.

For a correction of an analysis to reach the runs that were made before it, and for anyone who doubts a verdict.
Nothing is measured, nothing of the record is changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.base.errors import MeasurementError
from harness.checks import registry
from harness.judge import verdict as rules
from harness.judge.diagnosis import Diagnosis, diagnose
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.results import Expectation, Measurement, Outcome, Unmeasured, Verdict
from harness.record import Record
from harness.rigfile import RigSpec
from harness.run.planning import BOTH


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """What a record says now."""

    results: tuple[Measurement | Unmeasured, ...]
    expectations: tuple[Expectation, ...]
    verdicts: tuple[Verdict, ...]
    diagnosis: Diagnosis


def judge_again(record: Record, spec: RigSpec | None = None) -> Again:
    """Results, expectations, verdicts and causes of a record's observations by the code of today.

    `spec`: another rig file to judge by; otherwise the one in the record. How many decisions at which risks stays as
    it was fixed before measuring. A quantity that was not measured keeps its reason. Raises RecordError where the
    record lacks something that this needs.
    """
    spec = spec or record.spec
    rule, declared, planned = rule_of(record, spec), record.declared, record.planned
    kept = {result.name: result for result in record.unmeasured}
    results: list[Measurement | Unmeasured] = []
    expectations: list[Expectation] = []
    observations = record.observations()
    for prefix in dict.fromkeys(Name(name).prefix for name in planned):
        names = [Name(name) for name in planned if Name(name).prefix == prefix]
        check, motor = names[0].check, names[0].motor or BOTH
        taken = [one for one in observations if Name(one.name).prefix == prefix]
        results += _analysed(check, motor, names, taken, spec, kept)
        expectations += registry.check_named(check).model(
            spec, declared.get(motor) or next(iter(declared.values())), motor
        )
    verdicts = rules.judge_all(results, expectations, rule)
    return Again(
        results=tuple(results),
        expectations=tuple(expectations),
        verdicts=tuple(verdicts),
        diagnosis=diagnose(verdicts, rule),
    )


def _analysed(
    check: str,
    motor: str,
    names: Iterable[str],
    taken: list[Observation],
    spec: RigSpec,
    kept: Mapping[str, Unmeasured],
) -> list[Measurement | Unmeasured]:
    found: dict[str, Measurement | Unmeasured] = {}
    trouble = "no observation of it stands in the record"
    if taken:
        try:
            found = {one.name: one for one in registry.check_named(check).analysis(taken, spec, motor)}
        except MeasurementError as error:
            trouble = str(error)
    nothing = {name: Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=trouble) for name in names}
    return [found.get(name) or kept.get(name) or nothing[name] for name in names]


def rule_of(record: Record, spec: RigSpec) -> rules.Rule:
    """The rule that a record was to be judged by, with requirements and [detect] of a rig file. Raises RecordError."""
    risk = record.risk
    return rules.Rule(
        planned=risk.planned,
        looks=risk.looks,
        false_alarm_risk=risk.false_alarm,
        false_acceptance_risk=risk.false_acceptance,
        detect=spec.detect,
        requirements=spec.required,
        gauge=record.gauges,
        gauge_share_max=spec.rig.gauge_share_max,
    )
