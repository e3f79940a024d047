"""A record in memory that says something else of the same observations. What is on disk stays as it is."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.base.errors import ExitCode
from harness.nouns.results import Curve, Expectation, Measurement, Unmeasured, Verdict
from harness.record import forms
from harness.record.entries import CauseEntry, DiagnosisEntry
from harness.record.record import Record
from harness.record.schema import SCHEMA


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """All that a judging makes of observations, and what it was made by."""

    rotorgate: str
    versions: Mapping[str, str]
    results: Sequence[Measurement | Unmeasured]
    expectations: Sequence[Expectation]
    verdicts: Sequence[Verdict]
    curves: Sequence[Curve]
    causes: Sequence[CauseEntry]
    diagnosis: DiagnosisEntry
    exit_code: ExitCode


def rewritten(record: Record, findings: Findings) -> Record:
    """The record with these findings in place of its own."""
    measured = [result for result in findings.results if isinstance(result, Measurement)]
    entries = {
        "rotorgate": findings.rotorgate,
        "versions": findings.versions,
        "measurements": _made(forms.measurement_entry, measured),
        "unmeasured": _made(
            forms.unmeasured_entry, (result for result in findings.results if isinstance(result, Unmeasured))
        ),
        "expectations": _made(forms.expectation_entry, findings.expectations),
        "verdicts": _made(forms.verdict_entry, findings.verdicts),
        "curves": _made(forms.curve_entry, findings.curves),
        "causes": findings.causes,
        "diagnosis": findings.diagnosis,
        "exit_code": findings.exit_code,
    }
    content = {**record.content, "schema": SCHEMA, **forms.clean(entries)}
    return Record(record.folder, json.dumps(content).encode("ascii"), raw=record.raw)


def _made(form: Any, results: Iterable[Any]) -> list[Any]:
    return [form(result) for result in results]
