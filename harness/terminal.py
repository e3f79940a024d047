"""What a person sees while a command works and when it ends.

On a terminal one line that moves; anywhere else one line a step. rich draws the table, but no text from outside
passes through its markup, which deletes `[requirements]` and raises on `[/dev/ttyACM0]`.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence
from typing import TextIO

from harness.results import Outcome, Verdict
from harness.words import visible

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
WIDE = 100
"""Columns from which on names and numbers are kept on one line (arbitrary)."""
LINE_EVERY = 0.05
"""Share of the whole after which a step that goes on is told again where no line can move (arbitrary)."""
STYLES = {"ok": "green", "XX": "bold red", "??": "yellow", "--": "dim"}


class Terminal:
    """Progress on standard error, the result on standard output."""

    def __init__(
        self, *, quiet: bool = False, json: bool = False, out: TextIO | None = None, err: TextIO | None = None
    ) -> None:
        self.quiet = quiet
        self.json = json
        self._out = out or sys.stdout
        self._err = err or sys.stderr
        self._moving = _is_terminal(self._err) and not quiet
        self._width = 0
        self._last_step, self._last_fraction = "", 0.0

    def step(self, text: str, fraction: float, remaining_s: float | None) -> None:
        """What is measured now, how far all is (0 to 1), and how long it will still take."""
        if self.quiet:
            return
        text = visible(text)
        still = "" if remaining_s is None or fraction >= 1.0 else f", {still_to_come(remaining_s)}"
        if self._moving:
            filled = round(20 * min(max(fraction, 0.0), 1.0))
            line = f"[{'#' * filled}{'.' * (20 - filled)}] {fraction:4.0%}  {text}{still}"
            line = line[: max(_columns(self._err) - 1, 20)]
            self._err.write("\r" + line + " " * max(self._width - len(line), 0))
            self._width = len(line)
        elif self._is_news(text, fraction):
            self._err.write(f"{fraction:4.0%}  {text}{still}\n")
            self._last_step, self._last_fraction = text, fraction
        self._err.flush()

    def _is_news(self, text: str, fraction: float) -> bool:
        """Whether a step is worth a line of its own: another one, or the same having counted up for a while."""
        another = _without_numbers(text) != _without_numbers(self._last_step)
        return another or (text != self._last_step and fraction >= self._last_fraction + LINE_EVERY)

    def say(self, text: str) -> None:
        """A line of information, unless quiet."""
        if not self.quiet:
            self._clear()
            self._err.write("\n".join(visible(line) for line in text.split("\n")) + "\n")
            self._err.flush()

    def result(self, text: str) -> None:
        """A line of the result, always."""
        self._clear()
        self._out.write("\n".join(visible(line) for line in text.split("\n")) + "\n")
        self._out.flush()

    def table(self, verdicts: Sequence[Verdict]) -> None:
        """All verdicts, a group for each check of each motor."""
        self._clear()
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        console = Console(
            file=self._out,
            highlight=False,
            markup=False,
            emoji=False,
            soft_wrap=False,
            width=None if _is_terminal(self._out) else 120,
        )
        table = Table(box=None, pad_edge=False, show_header=True, header_style="bold")
        for heading, justify in (
            ("", "left"),
            ("quantity", "left"),
            ("measured", "right"),
            ("+-", "right"),
            ("expected", "right"),
            ("unit", "left"),
            ("verdict", "left"),
        ):
            whole = heading not in ("", "verdict") and console.width >= WIDE
            table.add_column(heading, justify=justify, overflow="fold", no_wrap=whole)  # type: ignore[arg-type]
        for verdict, count in gathered(verdicts):
            mark = MARKS[verdict.outcome]
            words = verdict.outcome.value + (f": {verdict.reason}" if verdict.reason else "")
            several = f"{verdict.name.rpartition('.')[0]} ({count} quantities)"
            cells = [verdict.name, _measured(verdict), _half_width(verdict), _expected(verdict), _unit(verdict)]
            cells = cells if count == 1 else [several, "", "", "", ""]
            table.add_row(
                Text(mark, style=STYLES[mark]),
                *(Text(visible(cell)) for cell in cells),
                Text(visible(words), style=STYLES[mark] if mark != "ok" else ""),
            )
        console.print(table)
        self._out.flush()

    def _clear(self) -> None:
        if self._moving and self._width:
            self._err.write("\r" + " " * self._width + "\r")
            self._err.flush()
            self._width = 0


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


def still_to_come(seconds: float) -> str:
    """An estimate as a person says it, no finer than it is known."""
    if seconds < 5.0:
        return "a few seconds still"
    if seconds < 90.0:
        return f"about {5 * round(seconds / 5.0)} s still"
    return f"about {seconds / 60.0:.0f} min still" if seconds < 5400.0 else f"about {seconds / 3600.0:.1f} h still"


def significant(value: float) -> str:
    """A number to four significant digits, without an exponent where it reads well."""
    return f"{value:.4g}"


def _without_numbers(text: str) -> str:
    """What stays the same while a step counts up."""
    return re.sub(r"[\d.]+", "", text)


def _measured(verdict: Verdict) -> str:
    return "" if verdict.measured is None else significant(verdict.measured.value)


def _half_width(verdict: Verdict) -> str:
    if verdict.measured is None or verdict.measured.exact:
        return ""
    return f"{verdict.measured.half_width(0.95):.2g}"


def _expected(verdict: Verdict) -> str:
    if verdict.requirement is not None and verdict.outcome in (
        Outcome.CONFORMING,
        Outcome.NONCONFORMING,
        Outcome.UNDECIDED,
    ):
        low, high = verdict.requirement.low, verdict.requirement.high
        ends = [f">= {significant(low)}"] if low is not None else []
        return " ".join([*ends, *([f"<= {significant(high)}"] if high is not None else [])])
    if verdict.expected is None or verdict.expected.quantity is None:
        return ""
    if verdict.expected.interval is not None:
        low, high = verdict.expected.interval
        return f"{significant(low)} to {significant(high)}"
    return significant(verdict.expected.quantity.value)


def _unit(verdict: Verdict) -> str:
    unit = verdict.unit or (verdict.measured.unit if verdict.measured else "")
    return "" if unit == "1" else unit


def _is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty() and os.environ.get("TERM") != "dumb"
    except ValueError:
        return False


def _columns(stream: TextIO) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return 80
