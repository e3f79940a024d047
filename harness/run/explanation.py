"""What verdicts point to, as a record keeps it."""

from __future__ import annotations

from harness.judge.diagnosis import Diagnosis
from harness.record.entries import CauseEntry, DiagnosisEntry


def explanation(diagnosis: Diagnosis) -> tuple[list[CauseEntry], DiagnosisEntry]:
    """Causes and diagnosis of a record."""
    causes = [
        CauseEntry(
            name=cause.name,
            words=cause.words,
            motors=cause.motors,
            sizes=cause.sizes,
            explains=cause.explains,
            confirmed_by=cause.confirmed_by,
            parted_by=", ".join(diagnosis.parted_by),
        )
        for cause in diagnosis.causes
    ]
    return causes, DiagnosisEntry(
        known=diagnosis.known, words=diagnosis.words, differs=diagnosis.differs, parted_by=diagnosis.parted_by
    )
