"""What two judgings of the same observations differ by, quantity by quantity, and what of the code may have done it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from harness.nouns.results import REQUIRED, Outcome, Verdict
from harness.record.entries import MeasurementEntry
from harness.record.record import Record

SAME_U = 1e-6
"""Values closer than this share of their standard uncertainty, and uncertainties closer than this share of themselves,
are the same: another machine rounds otherwise (arbitrary, far above rounding and far below what a reader sees)."""
Key = tuple[str, bool]
"""Full name, and whether it is the verdict against a requirement."""
Number = tuple[float, float]
"""Value and standard uncertainty."""


class JudgingPart(StrEnum):
    """A part of the code that judges."""

    ANALYSIS = "analysis"
    MODEL = "model"
    RULE = "rule"


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one judging says of a quantity."""

    verdict: Verdict | None
    """None where it does not know the quantity."""
    measured: MeasurementEntry | None
    """None where there is no number."""

    @property
    def outcome(self) -> Outcome | None:
        """The word of the verdict."""
        return None if self.verdict is None else self.verdict.outcome

    @property
    def expected(self) -> tuple[Number, ...]:
        """What a model predicts: its value, and the ends of an interval of equally good ones."""
        expectation = self.verdict.expected if self.verdict is not None else None
        if expectation is None or expectation.quantity is None:
            return ()
        u = expectation.quantity.u
        return (expectation.quantity.value, u), *((end, u) for end in expectation.interval or ())


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A quantity of which two judgings say different things."""

    name: str
    required: bool
    """Whether it is the verdict against a requirement."""
    then: Side
    anew: Side

    @property
    def measured(self) -> bool:
        """Whether it is another number."""
        then, now = self.then.measured, self.anew.measured
        if then is None or now is None:
            return then is not now
        return _differ((then.value, then.u), (now.value, now.u))

    @property
    def expected(self) -> bool:
        """Whether something else is expected; a requirement is no expectation."""
        if self.required:
            return False
        then, now = self.then.expected, self.anew.expected
        return len(then) != len(now) or any(_differ(before, after) for before, after in zip(then, now, strict=True))

    @property
    def judged(self) -> bool:
        """Whether the word of the verdict is another."""
        return self.then.outcome is not self.anew.outcome

    @property
    def parts(self) -> tuple[JudgingPart, ...]:
        """What of the code is another. A verdict that is another on the same numbers is the rule's."""
        of_numbers = [
            part for part, is_so in ((JudgingPart.ANALYSIS, self.measured), (JudgingPart.MODEL, self.expected)) if is_so
        ]
        return tuple(of_numbers) or ((JudgingPart.RULE,) if self.judged else ())


def changes(then: Record, now: Record) -> list[Change]:
    """Quantities of which the two say different things, in the order of the later one. Raises DamagedRecord.

    A verdict against a requirement stands beside that against the model only where its word is another.
    """
    before, after = _sides(then), _sides(now)
    nothing = Side(verdict=None, measured=None)
    candidates = [
        Change(name=key[0], required=key[1], then=before.get(key, nothing), anew=after.get(key, nothing))
        for key in dict.fromkeys([*after, *before])
    ]
    beside = {change.name for change in candidates if not change.required}
    return [
        change
        for change in candidates
        if change.parts and (change.judged or not (change.required and change.name in beside))
    ]


def _sides(record: Record) -> Mapping[Key, Side]:
    measured = {entry.name: entry for entry in record.measurement_entries}
    return {
        (verdict.name, verdict.outcome in REQUIRED): Side(verdict=verdict, measured=measured.get(verdict.name))
        for verdict in record.verdicts
    }


def _differ(then: Number, now: Number) -> bool:
    """Whether two numbers are more than rounding apart."""
    room = SAME_U * max(then[1], now[1]) or SAME_U * 1e-3 * abs(then[0])
    return abs(now[0] - then[0]) > room or abs(now[1] - then[1]) > SAME_U * max(then[1], now[1])


def explained_otherwise(then: Record, now: Record) -> bool:
    """Whether the verdicts of the two point to other causes, or one of them to none."""
    return _causes(then) != _causes(now)


def _causes(record: Record) -> tuple[bool, frozenset[tuple[str, tuple[str, ...]]]]:
    return bool(record.diagnosis.words), frozenset((cause.name, cause.motors) for cause in record.causes)
