"""A baseline that a store keeps, and records compared with it."""

from __future__ import annotations

from collections.abc import Sequence

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare import Baseline, Comparison, Terms, baseline_of
from harness.compare.comparison import refuse_unlike
from harness.record import Record
from harness.store import Store
from harness.store.baselines import StoredBaseline


def load_baseline(store: Store, stored: StoredBaseline) -> Baseline:
    """The levels of a stored baseline. Raises StoreError, RecordError, UsageError."""
    return baseline_of([store.record(run) for run in stored.runs], stored.mountings)


def compare_with(
    stored: StoredBaseline,
    against: Baseline,
    records: Sequence[Record],
    mountings: Sequence[str] | None = None,
    terms: Terms | None = None,
) -> Comparison:
    """One record, or repeats of it, against a baseline, by its own terms where no others are given.

    Raises UsageError where it is retired or has one of the records itself, or where the records are of several boards
    or firmwares, or cannot be compared with it.
    """
    refuse_retired(stored)
    refuse_unlike(records)
    own = {record.fingerprint: run for record, run in zip(against.records, stored.runs, strict=True)}
    for record in records:
        if (run := own.get(record.fingerprint)) is not None:
            raise UsageError(f"{visible(str(record.folder))} stands in {stored.title} itself, as run {run}")
    return Comparison.of(against, records, mountings, terms)


def refuse_retired(stored: StoredBaseline) -> None:
    """Raise UsageError for a baseline that is retired."""
    if stored.retirement is not None:
        gone = stored.retirement
        raise UsageError(
            f"{stored.title}: retired {gone.retired_utc[:10]} by {gone.by_whom} ({gone.why}): nothing is compared with "
            "it; accept a new revision"
        )
