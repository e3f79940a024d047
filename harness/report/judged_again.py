"""What has changed in a record that was judged again, in words for page and terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from harness.record import Record
from harness.record.changes import SAME_U, Change, JudgingPart, Number, Side, changes, explained_otherwise
from harness.report.numbers import with_uncertainty

UNCHANGED = "nothing has changed: no value, no expectation, no verdict, no cause"
PARTS = {JudgingPart.ANALYSIS: "another analysis", JudgingPart.MODEL: "another model", JudgingPart.RULE: "another rule"}


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedAgain:
    """The same observations judged twice."""

    then: Record
    anew: Record
    changes: tuple[Change, ...]
    cause_changed: bool

    @classmethod
    def of(cls, then: Record, now: Record) -> Self:
        """A record, and what today's code makes of it. Raises DamagedRecord."""
        return cls(then=then, anew=now, changes=tuple(changes(then, now)), cause_changed=explained_otherwise(then, now))

    @property
    def notice(self) -> str:
        """What this is, and what it is not."""
        return (
            f"the code of today (rotorgate {self.anew.rotorgate}) over the observations of {self.then.started_utc}, "
            f"which rotorgate {self.then.rotorgate} judged then. Nothing was measured, and the record is as it was"
        )

    @property
    def lines(self) -> list[str]:
        """What has changed and why it can have, a line a quantity, then the cause; where nothing has, that."""
        lines = [change_line(change) for change in self.changes]
        if self.cause_changed:
            now, then = (record.diagnosis.words or "none" for record in (self.anew, self.then))
            lines.append(f"cause: {now}; then: {then}")
        return lines or [UNCHANGED]


def change_line(change: Change) -> str:
    """`leaf.step.delay: measured 3.1 ± 0.2 ms, then 3.4 ± 0.2 ms; agrees, then differs (another analysis)`."""
    sides = change.anew, change.then
    parts = []
    if change.measured:
        now, then = map(_measured, sides)
        measured = [None if side.measured is None else (side.measured.value, side.measured.u) for side in sides]
        parts.append(f"measured {now}, then {then}{_apart(*measured)}")
    if change.expected:
        now, then = map(_expected, sides)
        parts.append(f"expected {now}, then {then}{_apart(*(next(iter(side.expected), None) for side in sides))}")
    if change.judged:
        now, then = (side.outcome.value if side.outcome is not None else "no verdict" for side in sides)
        parts.append(f"{now}, then {then}")
    against = " (requirement)" if change.required else ""
    return f"{change.name}{against}: {'; '.join(parts)} ({' and '.join(PARTS[part] for part in change.parts)})"


def _measured(side: Side) -> str:
    if side.measured is None:
        return "nothing"
    return with_uncertainty(side.measured.value, side.measured.half95, side.measured.unit)


def _apart(now: Number | None, then: Number | None) -> str:
    """By how much value and uncertainty have moved, which the digits may not show."""
    if now is None or then is None or not then[1]:
        return ""
    value, u = (now[0] - then[0]) / then[1], 100.0 * (now[1] / then[1] - 1.0)
    moved = [f"{value:+.2g} u"] if abs(value) >= SAME_U else []
    moved += [f"u {u:+.2g} %"] if abs(u) >= 100.0 * SAME_U else []
    return f" ({', '.join(moved)})" if moved else ""


def _expected(side: Side) -> str:
    unit = side.verdict.unit if side.verdict is not None else ""
    words = [with_uncertainty(value, 2.0 * u, unit) for value, u in side.expected]
    return words[0] + (f", between {' and '.join(words[1:])}" if words[1:] else "") if words else "nothing"
