"""A table at the terminal: one line a row in columns, two or more in a narrow window, and below it the reasons.

No text from outside passes through rich's markup, which deletes `[requirements]` and raises on `[/dev/ttyACM0]`.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from harness.base.words import visible
from harness.nouns.standing import Standing
from harness.report.marks import MARKS

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

WRONG_FIRST = (Standing.BAD, Standing.OPEN, Standing.UNJUDGED, Standing.ABSENT, Standing.GOOD)
"""Order of the reasons."""
WIDEST = 120
"""Columns of what is written where nobody knows the width, and of reasons at most (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A column's heading. Only a name may take two lines."""

    words: str
    right: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One line of a table: mark, name, cells, word."""

    standing: Standing | None
    """What it comes to, which is its mark; None for a row without one."""
    name: str
    cells: tuple[str, ...]
    word: str
    """What was decided; the last column."""
    sentence: str
    """What the cells and the word say, for a narrow window."""
    group: str = ""
    """What the name begins with, up to a dot; a heading of its own where names have little room."""
    reason: str = ""
    shared: str = ""
    """The line for all rows that have this reason in common, where it is another than that of the table."""

    @property
    def mark(self) -> str:
        """Its letters."""
        return "" if self.standing is None else MARKS[self.standing].letters

    @property
    def colour(self) -> str:
        """The mark's."""
        return "" if self.standing is None else MARKS[self.standing].colour


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Headings of name, cells and word, and how wide a window they need."""

    headings: tuple[Heading, ...]
    narrow: int
    """Columns below which a row takes two lines."""
    with_names: int
    """Columns from which on a row has room for its full name."""


def together(rows: Sequence[TableRow]) -> str:
    """The reason that these rows share, in words."""
    return f"{', '.join(row.name for row in rows)}: {rows[0].word}: {rows[0].reason}"


def write_rows(
    stream: TextIO,
    layout: Layout,
    rows: Sequence[TableRow],
    *,
    known_width: bool,
    words: Callable[[Sequence[TableRow]], str] = together,
) -> None:
    """All rows in order, then the reasons, each in the `words` of the rows that share it.

    `known_width`: the stream is a terminal that knows how wide it is.
    """
    from rich.console import Console

    plain = io.StringIO()
    console = Console(
        file=stream if known_width else plain,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=False,
        width=None if known_width else WIDEST,
    )
    if console.width < layout.narrow:
        _lines(console, rows)
    else:
        _columns(console, layout, rows)
    _reasons(console, rows, words)
    stream.write("\n".join(line.rstrip() for line in plain.getvalue().split("\n")))  # rich fills a row with blanks


def _columns(console: Console, layout: Layout, rows: Sequence[TableRow]) -> None:
    from rich.table import Table

    marked = any(row.mark for row in rows)
    table = Table(box=None, pad_edge=False, show_header=True, header_style="bold")
    if marked:
        table.add_column("")
    for number, heading in enumerate(layout.headings):
        justify = "right" if heading.right else "left"
        table.add_column(heading.words, justify=justify, overflow="fold", no_wrap=number > 0)  # type: ignore[arg-type]
    group = ""
    for row in rows:
        name = row.name
        if console.width < layout.with_names and row.group:
            if row.group != group:
                group = row.group
                table.add_row(*([""] if marked else []), _text(group, "bold"))
            name = name.removeprefix(f"{group}.")
        words = [_text(name), *map(_text, row.cells), _text(row.word, _style(row))]
        table.add_row(*([_mark(row)] if marked else []), *words)
    console.print(table)


def _lines(console: Console, rows: Sequence[TableRow]) -> None:
    """For a narrow window: the name, and under it what was found."""
    for row in rows:
        indent = "    " if row.mark else "  "
        start = _mark(row).append("  ") if row.mark else _text("")
        console.print(start.append(visible(row.name), style=""), overflow="fold")
        for line in textwrap.wrap(visible(row.sentence), max(console.width - 4, 16)):
            console.print(_text(f"{indent}{line}", _style(row)), overflow="fold")


def _reasons(console: Console, rows: Sequence[TableRow], words: Callable[[Sequence[TableRow]], str]) -> None:
    """Why: what is wrong first, each reason once, with every row that it is the reason of."""
    reasons: dict[tuple[str, str, str], list[TableRow]] = {}
    for row in rows:
        if row.reason:
            reasons.setdefault((row.mark, row.word, row.reason), []).append(row)
    if reasons:
        console.print()
    for mark in dict.fromkeys([*(MARKS[standing].letters for standing in WRONG_FIRST), ""]):
        for (shown_mark, _, _), rows_of_reason in reasons.items():
            if shown_mark != mark:
                continue
            wrapped = textwrap.wrap(
                visible(rows_of_reason[0].shared or words(rows_of_reason)),
                max(min(console.width, WIDEST) - 4, 16),
                break_on_hyphens=False,
            )
            for number, line in enumerate(wrapped):
                start = _mark(rows_of_reason[0]) if number == 0 else _text("  ")
                console.print(start.append(f"  {line}", style=""), overflow="fold", no_wrap=True)


def _mark(row: TableRow) -> Text:
    from rich.text import Text

    return Text.assemble((row.mark, row.colour))


def _style(row: TableRow) -> str:
    return "" if row.standing is Standing.GOOD else row.colour


def _text(words: str, style: str = "") -> Text:
    from rich.text import Text

    return Text(visible(words), style=style)
