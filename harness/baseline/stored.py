"""Records against a baseline that a store keeps: what is compared, by which margins, and what it comes to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.base.errors import ExitCode, RecordError, RigFileError, UsageError
from harness.base.words import visible
from harness.compare import Baseline, Difference, Finding, History, Terms, baseline_of, compare, exchanged, history
from harness.compare.belonging import fingerprint
from harness.nouns.results import Measurement
from harness.record import Record
from harness.rigfile import RigSpec, loads
from harness.store import Store
from harness.store.baselines import StoredBaseline

ONE_STATE = ("board", "firmware")
"""What repeats have in common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What comparing records with a baseline found."""

    terms: Terms
    differences: list[Difference]
    """Of every quantity that the baseline has; what it never measured is not compared."""
    left_out: list[str]
    """Quantities that the records measured and the baseline did not."""
    exchanged: list[str]
    """What is another on the bench than when the baseline's last record was made."""
    steps: list[tuple[History, str]]
    """Quantities whose mean makes a step over baseline and records, with where it does."""

    @property
    def exit_code(self) -> ExitCode:
        """0, 1 or 2: see `exit_code`."""
        return exit_code(self.differences)


def load(store: Store, stored: StoredBaseline) -> Baseline:
    """The levels of a stored baseline. Raises StoreError, RecordError, UsageError."""
    return baseline_of([store.record(run) for run in stored.runs], stored.mountings)


def terms_of(against: Baseline) -> Terms:
    """What is fixed before comparing: the quantities that the baseline has, margins by [detect] of its first rig file.

    The baseline's, not that of what is compared with it: nobody widens a margin together with what it is to catch.
    Raises UsageError.
    """
    planned = sum(level.records > 0 for level in against.levels.values())
    return Terms(planned=max(planned, 1), margins=spec_of(against.records[0]).detect)


def spec_of(record: Record) -> RigSpec:
    """The rig file of a record. Raises RecordError."""
    try:
        return loads(str(record.content["rig"]["text"]).encode(), str(record.folder / "rig.toml"))
    except (KeyError, TypeError, RigFileError) as error:
        raise RecordError(f"{record.folder}: its rig file does not read: {error}") from error


def compared(
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
    for other in records[1:]:
        unlike = [word for word in exchanged(records[0], other) if word in ONE_STATE]
        if unlike:
            raise UsageError(
                f"{visible(str(other.folder))} is of another {' and '.join(unlike)} than "
                f"{visible(str(records[0].folder))}: repeats are of one; compare them one at a time"
            )
    own = {fingerprint(record): run for record, run in zip(against.records, stored.runs, strict=True)}
    for record in records:
        if (run := own.get(fingerprint(record))) is not None:
            raise UsageError(f"{visible(str(record.folder))} stands in {stored.title} itself, as run {run}")
    terms = terms or terms_of(against)
    found = compare(against, records, terms, mountings)
    known = {level.name for level in against.levels.values() if level.records}
    measured = dict.fromkeys(one.name for record in records for one in record.results if isinstance(one, Measurement))
    return Comparison(
        terms=terms,
        differences=[one for one in found if one.name in known],
        left_out=[name for name in measured if name not in known],
        exchanged=exchanged(in_time(against.records)[-1], in_time(records)[0]),
        steps=steps([*against.records, *records]),
    )


def refuse_retired(stored: StoredBaseline) -> None:
    """Raise UsageError for a baseline that is retired."""
    if stored.retirement is not None:
        gone = stored.retirement
        raise UsageError(
            f"{stored.title}: retired {gone.retired_utc[:10]} by {gone.by_whom} ({gone.why}): nothing is compared with "
            "it; accept a new revision"
        )


def exit_code(differences: Iterable[Difference]) -> ExitCode:
    """1 where something is different; 2 where something is undecided or not shown to lie inside its margin, or
    nothing is equivalent; else 0. A quantity without a margin cannot be equivalent and asks for nothing."""
    found = list(differences)
    if any(one.finding is Finding.DIFFERENT for one in found):
        return ExitCode.DIFFERS
    open_ = any(
        one.finding is Finding.UNDECIDED or (one.finding is Finding.NOT_SEEN and one.margin is not None)
        for one in found
    )
    if open_ or not any(one.finding is Finding.EQUIVALENT for one in found):
        return ExitCode.UNDECIDED
    return ExitCode.AGREES


def headline(differences: Iterable[Difference]) -> str:
    """Every word of a comparison that occurs, counted."""
    found = [one.finding for one in differences]
    return ", ".join(f"{found.count(word)} {word.value}" for word in Finding if word in found) or "nothing to compare"


def steps(records: Sequence[Record]) -> list[tuple[History, str]]:
    """Quantities whose mean makes a step over these records in the order of their clocks, with where it does."""
    ordered = in_time(records)
    return [
        (one, visible(str(ordered[one.records[one.change.at]].folder)))
        for one in history(ordered)
        if one.change is not None
    ]


def in_time(records: Iterable[Record]) -> list[Record]:
    """Records in the order in which they were started."""
    return sorted(records, key=lambda record: str(record.content.get("started_utc", "")))
