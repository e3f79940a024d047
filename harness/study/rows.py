"""A gauge study as rows of a table at the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from harness.judge.verdict import percent
from harness.nouns.names import Name
from harness.nouns.results import Fitness
from harness.report.numbers import decimals_for, prefix_for
from harness.show.columns import Heading, Layout, TableRow, together
from harness.study.result import GaugeResult

LAYOUT = Layout(
    headings=(
        Heading(words="quantity"),
        *(
            Heading(words=words, right=True)
            for words in ("GRR", "repeats", "between", "boards", "ndc", "of u", "of tol.")
        ),
        Heading(words="unit"),
        Heading(words="gauge"),
    ),
    narrow=90,
    with_names=108,
)
"""About as wide as its rows are."""
EXPLAINED = (
    "GRR: standard deviation of readings of one board, of repeats and between benches and days",
    "ndc: groups of boards that are told apart; of u: GRR over the standard uncertainty that a run claims; of tol.: "
    "share of the requirement's tolerance",
)


def row(result: GaugeResult) -> TableRow:
    """One quantity."""
    size = max((deviation for deviation in (result.grr, result.pv) if deviation), default=0.0)
    factor, unit = prefix_for(size, result.unit)
    digits = decimals_for(result.grr / factor) + 1 if result.grr else 3

    def number(value: float | None) -> str:
        if not value:
            return "" if value is None else "0"
        text = f"{value / factor:.{min(digits, 5)}f}"
        return text if float(text) else f"{value / factor:.2g}"

    between = None if result.av is None else (result.av**2 + (result.interaction or 0.0) ** 2) ** 0.5
    ndc = "" if result.ndc is None else str(result.ndc)
    share = "" if result.share is None else percent(result.share)
    over = f"{result.grr / result.claimed_u:.2g}" if result.grr and result.claimed_u else ""
    cells = (number(result.grr), number(result.ev), number(between), number(result.pv), ndc, over, share, _plain(unit))
    phrases = [
        f"GRR {cells[0]} {_plain(unit)}".rstrip() if cells[0] else "",
        f"{ndc} categories" if ndc else "",
        f"{share} of the tolerance" if share else "",
        result.word.value,
    ]
    return TableRow(
        standing=None if result.word is Fitness.UNASKED else result.word.standing,
        name=result.name,
        cells=cells,
        word=result.word.value,
        sentence=", ".join(part for part in phrases if part),
        group=Name(result.name).prefix,
        reason="; ".join(part for part in (result.reason, *result.remarks) if part),
    )


def reasons(rows: Sequence[TableRow]) -> str:
    """Why a gauge is called what it is, and what else is to be known of it."""
    if rows[0].word == Fitness.UNASKED.value:
        return f"{', '.join(table_row.name for table_row in rows)}: {rows[0].reason}"
    return together(rows)


def _plain(unit: str) -> str:
    return "" if unit == "1" else unit.replace("\N{MICRO SIGN}", "u")
