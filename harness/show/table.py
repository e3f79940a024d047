"""The table of verdicts at the terminal: one line a quantity, and below it why something is not as it should be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TextIO

from harness.checks.catalogue import counted_in_words, meaning_of
from harness.judge.verdict import unasked
from harness.nouns import coverage
from harness.nouns.names import Name
from harness.nouns.results import REQUIRED, Outcome, Verdict
from harness.show.columns import Heading, Layout, TableRow, write_rows

LAYOUT = Layout(
    headings=(
        Heading(words="quantity"),
        Heading(words="measured", right=True),
        Heading(words="+-", right=True),
        Heading(words="expected", right=True),
        Heading(words="unit"),
        Heading(words="verdict"),
    ),
    narrow=80,
    with_names=96,
)
"""The table is about 80 columns wide, a little more than 90 with full names."""
FINEST = 5
"""Decimals of a number at most (arbitrary): a clock is known to more of them than a person reads."""

Cells = tuple[str, str, str, str]
"""Measured, half-width of its 95 % interval, expected, unit."""


def write_table(stream: TextIO, verdicts: Sequence[Verdict], *, known_width: bool) -> None:
    """All verdicts in order, then the reasons. `known_width`: the stream is a terminal that knows how wide it is."""
    others = [verdict.name for verdict in verdicts if not verdict.unasked and verdict.outcome not in REQUIRED]
    silent = unasked([verdict.name for verdict in verdicts if verdict.unasked], others)
    rows = [_row(verdict, count, silent if verdict.unasked else "") for verdict, count in gathered(verdicts)]
    write_rows(stream, LAYOUT, rows, known_width=known_width)


def _row(verdict: Verdict, count: int, shared: str) -> TableRow:
    measured, half_width, expected, unit = cells(verdict)
    says = "" if verdict.measured is None else meaning_of(verdict.name, verdict.measured.value)
    coded = says and f"({says})"
    measured_words = " ".join(part for part in (measured, coded, half_width and f"+- {half_width}", unit) if part)
    awaited = expected and f"expected {expected}"
    return TableRow(
        standing=verdict.outcome.standing,
        name=_name(verdict, count),
        cells=(measured, half_width, expected, unit) if count == 1 else ("",) * 4,
        word=verdict.outcome.value,
        sentence=", ".join(part for part in (measured_words, awaited, verdict.outcome.value) if part),
        group=Name(verdict.name).prefix,
        reason=_reason(verdict),
        shared=shared,
    )


def _reason(verdict: Verdict) -> str:
    """Why, and what a code says where that is not in it already: that two numbers differ says what both mean."""
    if verdict.measured is None or verdict.outcome in (Outcome.AGREES, Outcome.DIFFERS):
        return verdict.reason
    if not meaning_of(verdict.name, verdict.measured.value):
        return verdict.reason
    found = counted_in_words(verdict.name, verdict.measured.value)
    return f"{found}; {verdict.reason}" if verdict.reason else found


def gathered(verdicts: Sequence[Verdict]) -> list[tuple[Verdict, int]]:
    """Verdicts for the table: neighbours of one check that were not run for one reason are one row."""
    rows: list[tuple[Verdict, int]] = []
    for verdict in verdicts:
        if rows and verdict.outcome is Outcome.NOT_RUN:
            last, count = rows[-1]
            same_check = Name(last.name).prefix == Name(verdict.name).prefix
            if same_check and (last.outcome, last.reason) == (verdict.outcome, verdict.reason):
                rows[-1] = (last, count + 1)
                continue
        rows.append((verdict, 1))
    return rows


def cells(verdict: Verdict) -> Cells:
    """What stands in a row, all of it in one unit and with the digits that the uncertainty supports."""
    from harness.report.numbers import decimals_for, prefix_for

    measured, expected = verdict.measured, verdict.expected
    unit = verdict.unit or (measured.unit if measured else "")
    centre = measured or (expected.quantity if expected else None)
    if centre is None:
        return "", "", "", ""
    half_width = coverage.half_width(centre)
    factor, shown = prefix_for(centre.value if abs(centre.value) > half_width else half_width, unit)
    digits = min(decimals_for(half_width / factor), FINEST) if half_width else None

    def number(value: float) -> str:
        return rounded(value / factor, digits)

    shown = shown.replace("\N{MICRO SIGN}", "u")
    if verdict.requirement is not None and verdict.outcome in REQUIRED:
        low, high = verdict.requirement.low, verdict.requirement.high
        ends = [f">= {rounded(low / factor)}"] if low is not None else []
        awaited = " ".join([*ends, *([f"<= {rounded(high / factor)}"] if high is not None else [])])
    elif expected is None or expected.quantity is None:
        awaited = ""
    elif expected.interval is not None:
        awaited = f"{number(expected.interval[0])} to {number(expected.interval[1])}"
    else:
        awaited = number(expected.quantity.value)
    if measured is None:
        return "", "", awaited, shown
    spread = half_width / factor
    fine = f"{spread:.2g}" if decimals_for(spread) > FINEST else number(half_width)
    return number(measured.value), fine if half_width else "", awaited, shown


def rounded(value: float, digits: int | None = None) -> str:
    """A number with so many decimals; without them to four significant digits."""
    text = f"{value:.4g}" if digits is None else f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def _name(verdict: Verdict, count: int) -> str:
    return verdict.name if count == 1 else f"{Name(verdict.name).prefix} ({count} quantities)"
