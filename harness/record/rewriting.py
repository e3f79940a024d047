"""A record in memory that says something else of the same observations. What is on disk stays as it is."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.base.errors import ExitCode
from harness.nouns.results import Curve, Expectation, Measurement, Unmeasured, Verdict
from harness.record import forms
from harness.record.entries import CauseEntry, DiagnosisEntry
from harness.record.record import Record
from harness.record.schema import SCHEMA


@dataclass(frozen=True, slots=True, kw_only=True)
class NewResults:
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


def rewritten(record: Record, findings: NewResults) -> Record:
    """The record with these findings in place of its own."""
    made = forms.result_entries(
        results=findings.results,
        expectations=findings.expectations,
        verdicts=findings.verdicts,
        curves=findings.curves,
    )
    entries = {
        **made,
        "rotorgate": findings.rotorgate,
        "versions": findings.versions,
        "causes": findings.causes,
        "diagnosis": findings.diagnosis,
        "exit_code": findings.exit_code,
    }
    content = {**record.content, "schema": SCHEMA, **forms.clean(entries)}
    return Record(record.folder, json.dumps(content).encode("ascii"), raw=record.raw)
