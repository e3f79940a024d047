"""Judge a record again: today's analysis, models and rule over the observations as they were taken.

For a correction of an analysis to reach the runs that were made before it, and for anyone who doubts a verdict.
Nothing is measured, nothing of the record is changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from harness.base.errors import MeasurementError, RecordError
from harness.checks import registry
from harness.judge import verdict as rules
from harness.judge.diagnosis import Diagnosis, diagnose
from harness.nouns.contract import Declared
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.results import Expectation, Gauge, Measurement, Outcome, Unmeasured, Verdict
from harness.record import Record
from harness.record.forms import gauges_from
from harness.rigfile import RigSpec, loads
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
    try:
        if spec is None:
            spec = loads(str(record.content["rig"]["text"]).encode(), str(record.folder / "rig.toml"))
        declared = {motor: _declared(entry) for motor, entry in record.content["declared"].items()}
        # A record older than studies of the gauge knows of none.
        rule = _rule(spec, record.content["risk"], gauges_from(record.content.get("gauge")))
        planned = [str(name) for name in record.content["planned"]]
    except (KeyError, TypeError) as error:
        raise RecordError(f"{record.folder}: cannot be judged again: expected {error} in the record") from error
    kept = {result.name: result for result in record.results if isinstance(result, Unmeasured)}
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


def _declared(entry: Mapping[str, Any]) -> Declared:
    values = {field.name: entry[field.name] for field in fields(Declared)}
    return Declared(**{**values, "timers": tuple(values["timers"])})


def _rule(spec: RigSpec, risk: Mapping[str, Any], gauge: Mapping[str, Gauge]) -> rules.Rule:
    return rules.Rule(
        planned=risk["planned"],
        looks=risk.get("looks", 1),  # older records are of one look
        false_alarm_risk=risk["false_alarm"],
        false_acceptance_risk=risk["false_acceptance"],
        detect=spec.detect,
        requirements=spec.required,
        gauge=gauge,
        gauge_share_max=spec.rig.gauge_share_max,
    )
