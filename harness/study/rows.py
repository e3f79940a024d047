"""A gauge study as rows of a table at the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from harness.judge.verdict import percent
from harness.nouns.names import Name
from harness.nouns.results import Fitness
from harness.report.numbers import decimals_for, prefix_for
from harness.show.columns import Heading, Layout, Row, together
from harness.study.found import Found

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


def row(found: Found) -> Row:
    """One quantity."""
    size = max((one for one in (found.grr, found.pv) if one), default=0.0)
    factor, unit = prefix_for(size, found.unit)
    digits = decimals_for(found.grr / factor) + 1 if found.grr else 3

    def number(value: float | None) -> str:
        if not value:
            return "" if value is None else "0"
        text = f"{value / factor:.{min(digits, 5)}f}"
        return text if float(text) else f"{value / factor:.2g}"

    between = None if found.av is None else (found.av**2 + (found.interaction or 0.0) ** 2) ** 0.5
    ndc = "" if found.ndc is None else str(found.ndc)
    share = "" if found.share is None else percent(found.share)
    over = f"{found.grr / found.claimed_u:.2g}" if found.grr and found.claimed_u else ""
    cells = (number(found.grr), number(found.ev), number(between), number(found.pv), ndc, over, share, _plain(unit))
    said = [
        f"GRR {cells[0]} {_plain(unit)}".rstrip() if cells[0] else "",
        f"{ndc} categories" if ndc else "",
        f"{share} of the tolerance" if share else "",
        found.word.value,
    ]
    return Row(
        standing=None if found.word is Fitness.UNASKED else found.word.standing,
        name=found.name,
        cells=cells,
        word=found.word.value,
        sentence=", ".join(part for part in said if part),
        group=Name(found.name).prefix,
        reason="; ".join(part for part in (found.reason, *found.remarks) if part),
    )


def reasons(those: Sequence[Row]) -> str:
    """Why a gauge is called what it is, and what else is to be known of it."""
    if those[0].word == Fitness.UNASKED.value:
        return f"{', '.join(one.name for one in those)}: {those[0].reason}"
    return together(those)


def _plain(unit: str) -> str:
    return "" if unit == "1" else unit.replace("\N{MICRO SIGN}", "u")
