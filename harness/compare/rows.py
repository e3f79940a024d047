"""Levels of a baseline and what differs from them, as rows of a table at the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.compare.baseline import BaselineLevel
from harness.compare.difference import Difference, Terms
from harness.nouns.coverage import half_width
from harness.nouns.names import Name
from harness.nouns.standing import Standing
from harness.report.numbers import decimals_for, prefix_for
from harness.show.columns import Heading, Layout, TableRow
from harness.show.table import FINEST, rounded


@dataclass(frozen=True, slots=True, kw_only=True)
class RowFormat:
    """How the numbers of one row are written: in one unit, with the digits that an uncertainty supports."""

    factor: float
    digits: int | None
    unit: str

    @classmethod
    def of(cls, value: float, half: float, unit: str) -> RowFormat:
        """For a value known to `half`."""
        factor, shown = prefix_for(value if abs(value) > half else half, unit)
        digits = min(decimals_for(half / factor), FINEST) if half else None
        return cls(factor=factor, digits=digits, unit=shown.replace("\N{MICRO SIGN}", "u"))

    def number(self, value: float) -> str:
        """A value."""
        return rounded(value / self.factor, self.digits)

    def size(self, size: float | None) -> str:
        """A width, "" where there is none; one too small for the row's digits has its own."""
        if not size or not math.isfinite(size):
            return ""
        text = self.number(size)
        return text if float(text) else f"{size / self.factor:.2g}"


def _layout(left: str, right: str, last: str, narrow: int, with_names: int) -> Layout:
    """A name, columns of numbers, columns of words, the first and the last of all."""
    name, *rest = left.split()
    return Layout(
        headings=(
            Heading(words=name),
            *(Heading(words=word, right=True) for word in right.split()),
            *(Heading(words=word) for word in [*rest, last]),
        ),
        narrow=narrow,
        with_names=with_names,
    )


LEVELS = _layout("quantity unit", "level +- scatter margin records mountings", "compared", 90, 104)
DIFFERENCES = _layout("quantity unit", "baseline difference +- margin", "finding", 90, 104)
"""About as wide as their rows are."""


def level_row(level: BaselineLevel, terms: Terms) -> TableRow:
    """One quantity of a baseline."""
    counts = f"{level.records} records, {level.mountings} mountings"
    cells, phrases = ("",) * 7, [counts]
    if level.records:
        known = level.known
        half = half_width(known)
        scale = RowFormat.of(known.value, half, known.unit)
        value, spread, unit = scale.number(known.value), scale.size(half), scale.unit
        scatter, margin = scale.size(level.scatter), scale.size(terms.margin(level))
        cells = (value, spread, scatter, margin, str(level.records), str(level.mountings), unit)
        phrases = [_phrase(value, spread and f"+- {spread}", unit), scatter and f"scatter {scatter}",
                margin and f"margin {margin}", counts]  # fmt: skip
    word = "no" if level.why_not else "yes"
    return TableRow(
        standing=Standing.UNJUDGED if level.why_not else Standing.GOOD,
        name=level.name,
        cells=cells,
        word=word,
        sentence=", ".join(part for part in (*phrases, f"compared: {word}") if part),
        group=Name(level.name).prefix,
        reason=level.why_not,
    )


def of_levels(rows: Sequence[TableRow]) -> str:
    """Why quantities of a baseline are not compared."""
    return f"{', '.join(row.name for row in rows)}: not compared: {rows[0].reason}"


def difference_row(difference: Difference, level: BaselineLevel) -> TableRow:
    """One quantity of a comparison; +- is what the difference may be off by, at the equivalence risk on either side."""
    half = (difference.bounds[1] - difference.bounds[0]) / 2.0 if difference.bounds is not None else 0.0
    fine = half or half_width(level.known)
    scale = RowFormat.of(level.value, fine, difference.unit)
    base, spread, margin, unit = scale.number(level.value), scale.size(half), scale.size(difference.margin), scale.unit
    off = ""
    if difference.measured is not None:
        off = scale.number(difference.measured - level.value)
        off = f"+{off}" if float(off) > 0.0 else off
    phrases = [
        off and _phrase(off, spread and f"+- {spread}", unit),
        _phrase("baseline", base, unit),
        margin and f"margin {margin}",
        difference.finding.value,
    ]
    return TableRow(
        standing=difference.finding.standing,
        name=difference.name,
        cells=(base, off, spread, margin, unit),
        word=difference.finding.value,
        sentence=", ".join(part for part in phrases if part),
        group=Name(difference.name).prefix,
        reason=difference.reason,
    )


def _phrase(*words: str) -> str:
    return " ".join(word for word in words if word)
