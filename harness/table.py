"""The table of verdicts at the terminal: one line a quantity, and below it why something is not as it should be.

No text from outside passes through rich's markup, which deletes `[requirements]` and raises on `[/dev/ttyACM0]`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, TextIO

from harness.results import Outcome, Verdict
from harness.words import visible

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

MARKS = {
    Outcome.AGREES: "ok",
    Outcome.CONFORMING: "ok",
    Outcome.DIFFERS: "XX",
    Outcome.NONCONFORMING: "XX",
    Outcome.CANNOT_TELL: "??",
    Outcome.UNDECIDED: "??",
    Outcome.NOT_JUDGED: "--",
    Outcome.NOT_RUN: "--",
}
STYLES = {"ok": "green", "XX": "bold red", "??": "yellow", "--": "dim"}
NARROW = 80
"""Columns below which a quantity takes two lines (arbitrary: the table is about this wide)."""
WITH_NAMES = 96
"""Columns from which on a row has room for a quantity's full name (arbitrary: a little more than that needs)."""
WIDEST = 120
"""Columns of what is written where nobody knows the width, and of reasons at most (arbitrary)."""
FINEST = 5
"""Decimals of a number at most (arbitrary): a clock is known to more of them than a person reads."""
REQUIRED = (Outcome.CONFORMING, Outcome.NONCONFORMING, Outcome.UNDECIDED)

Cells = tuple[str, str, str, str]
"""Measured, half-width of its 95 % interval, expected, unit."""


def write_table(stream: TextIO, verdicts: Sequence[Verdict], *, known_width: bool) -> None:
    """All verdicts in order, then the reasons. `known_width`: the stream is a terminal that knows how wide it is."""
    from rich.console import Console

    console = Console(
        file=stream,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
        width=None if known_width else WIDEST,
    )
    rows = gathered(verdicts)
    if console.width < NARROW:
        _lines(console, rows)
    else:
        _columns(console, rows)
    _reasons(console, rows)


def _columns(console: Console, rows: Sequence[tuple[Verdict, int]]) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, show_header=True, header_style="bold")
    for heading in ("", "quantity", "measured", "+-", "expected", "unit", "verdict"):
        right = heading in ("measured", "+-", "expected")
        table.add_column(heading, justify="right" if right else "left", overflow="fold", no_wrap=heading != "quantity")
    group = ""
    for verdict, count in rows:
        name = _name(verdict, count)
        if console.width < WITH_NAMES:
            if verdict.name.rpartition(".")[0] != group:
                group = verdict.name.rpartition(".")[0]
                table.add_row("", _heading(group))
            name = name.removeprefix(f"{group}.")
        words = (name, *(cells(verdict) if count == 1 else ("",) * 4))
        table.add_row(_mark(verdict), *(_text(cell) for cell in words), _text(verdict.outcome.value, verdict))
    console.print(table)


def _lines(console: Console, rows: Sequence[tuple[Verdict, int]]) -> None:
    """For a narrow window: the quantity, and under it what was found."""
    for verdict, count in rows:
        console.print(_mark(verdict).append(f"  {visible(_name(verdict, count))}", style=""), overflow="fold")
        measured, half_width, expected, unit = cells(verdict)
        found = " ".join(part for part in (measured, half_width and f"+- {half_width}", unit) if part)
        awaited = expected and f"expected {expected}"
        words = [part for part in (found, awaited, verdict.outcome.value) if part]
        for line in textwrap.wrap(visible(", ".join(words)), max(console.width - 4, 16)):
            console.print(_text(f"    {line}", verdict), overflow="fold")


def _reasons(console: Console, rows: Sequence[tuple[Verdict, int]]) -> None:
    """Why: what is wrong first, each reason once, with every quantity that it is the reason of."""
    reasons: dict[tuple[str, str, str], list[tuple[Verdict, int]]] = {}
    for verdict, count in rows:
        if verdict.reason:
            reasons.setdefault((MARKS[verdict.outcome], verdict.outcome.value, verdict.reason), []).append(
                (verdict, count)
            )
    if reasons:
        console.print()
    for mark in ("XX", "??", "--", "ok"):
        for (found, word, reason), those in reasons.items():
            if found != mark:
                continue
            names = ", ".join(_name(verdict, count) for verdict, count in those)
            wrapped = textwrap.wrap(
                visible(f"{names}: {word}: {reason}"),
                max(min(console.width, WIDEST) - 4, 16),
                break_on_hyphens=False,
            )
            for number, line in enumerate(wrapped):
                start = _mark(those[0][0]) if number == 0 else _text("  ")
                console.print(start.append(f"  {line}", style=""), overflow="fold", no_wrap=True)


def gathered(verdicts: Sequence[Verdict]) -> list[tuple[Verdict, int]]:
    """Verdicts for the table: neighbours of one check that were not run for one reason are one row."""
    rows: list[tuple[Verdict, int]] = []
    for verdict in verdicts:
        if rows and verdict.outcome is Outcome.NOT_RUN:
            last, count = rows[-1]
            same_check = last.name.rpartition(".")[0] == verdict.name.rpartition(".")[0]
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
    half_width = 0.0 if centre.exact else centre.half_width(0.95)
    factor, shown = prefix_for(centre.value if abs(centre.value) > half_width else half_width, unit)
    digits = min(decimals_for(half_width / factor), FINEST) if half_width else None

    def number(value: float) -> str:
        return _rounded(value / factor, digits)

    shown = shown.replace("\N{MICRO SIGN}", "u")
    if verdict.requirement is not None and verdict.outcome in REQUIRED:
        low, high = verdict.requirement.low, verdict.requirement.high
        ends = [f">= {_rounded(low / factor)}"] if low is not None else []
        awaited = " ".join([*ends, *([f"<= {_rounded(high / factor)}"] if high is not None else [])])
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


def _rounded(value: float, digits: int | None = None) -> str:
    """A number with so many decimals; without them to four significant digits."""
    text = f"{value:.4g}" if digits is None else f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def _name(verdict: Verdict, count: int) -> str:
    return verdict.name if count == 1 else f"{verdict.name.rpartition('.')[0]} ({count} quantities)"


def _mark(verdict: Verdict) -> Text:
    from rich.text import Text

    return Text.assemble((MARKS[verdict.outcome], STYLES[MARKS[verdict.outcome]]))


def _heading(words: str) -> Text:
    from rich.text import Text

    return Text(visible(words), style="bold")


def _text(words: str, verdict: Verdict | None = None) -> Text:
    from rich.text import Text

    mark = "ok" if verdict is None else MARKS[verdict.outcome]
    return Text(visible(words), style="" if mark == "ok" else STYLES[mark])
