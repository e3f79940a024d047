"""Records compared with a baseline: by which margins, what was found, and what it comes to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

from harness.base.errors import ExitCode, UsageError
from harness.base.words import visible
from harness.compare.baseline import Baseline
from harness.compare.difference import Difference, Finding, Terms, compare
from harness.compare.drift import QuantitySeries, in_time, steps
from harness.compare.ownership import exchanged
from harness.nouns.results import Measurement
from harness.nouns.standing import overall
from harness.record import Record

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
    steps: list[tuple[QuantitySeries, str]]
    """Quantities whose mean makes a step over baseline and records, with where it does."""

    @classmethod
    def of(
        cls,
        against: Baseline,
        records: Sequence[Record],
        mountings: Sequence[str] | None = None,
        terms: Terms | None = None,
    ) -> Self:
        """One record, or repeats of it, against a baseline, by its own terms where no others are given.

        Raises UsageError where the records cannot be compared with it.
        """
        terms = terms or terms_of(against)
        differences = compare(against, records, terms, mountings)
        known = {level.name for level in against.levels.values() if level.records}
        measured = dict.fromkeys(
            result.name for record in records for result in record.results if isinstance(result, Measurement)
        )
        return cls(
            terms=terms,
            differences=[difference for difference in differences if difference.name in known],
            left_out=[name for name in measured if name not in known],
            exchanged=exchanged(in_time(against.records)[-1], in_time(records)[0]),
            steps=steps([*against.records, *records]),
        )

    @property
    def exit_code(self) -> ExitCode:
        """By every one of the differences."""
        return comparison_exit_code(self.differences)


def terms_of(against: Baseline) -> Terms:
    """What is fixed before comparing: the quantities that the baseline has, margins by [detect] of its first rig file.

    The baseline's, not that of what is compared with it: nobody widens a margin together with what it is to catch.
    Raises UsageError.
    """
    planned = sum(level.records > 0 for level in against.levels.values())
    return Terms(planned=max(planned, 1), margins=against.records[0].spec.detect)


def refuse_unlike(records: Sequence[Record]) -> None:
    """Raise UsageError for records of several boards or firmwares: they are no repeats of one."""
    for other in records[1:]:
        unlike = [word for word in exchanged(records[0], other) if word in ONE_STATE]
        if unlike:
            raise UsageError(
                f"{visible(str(other.folder))} is of another {' and '.join(unlike)} than "
                f"{visible(str(records[0].folder))}: repeats are of one; compare them one at a time"
            )


def comparison_exit_code(differences: Iterable[Difference]) -> ExitCode:
    """1 where something is different; 2 where something is undecided or not shown to lie inside its margin, or
    nothing is equivalent; else 0. A quantity without a margin cannot be equivalent and asks for nothing."""
    return overall(difference.standing for difference in differences).exit_code


def findings_counted(differences: Iterable[Difference]) -> str:
    """Every word of a comparison that occurs, counted."""
    findings = [difference.finding for difference in differences]
    return (
        ", ".join(f"{findings.count(word)} {word.value}" for word in Finding if word in findings)
        or "nothing to compare"
    )
