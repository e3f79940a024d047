"""What a person sees while a command works and when it ends.

On a terminal one line that moves; anywhere else one line a step.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TextIO, cast

from harness.base.streams import LossyStream
from harness.base.words import visible, visible_lines
from harness.nouns.activity import Activity
from harness.nouns.results import Verdict

if TYPE_CHECKING:
    from harness.show.columns import Layout, TableRow

LINE_EVERY = 0.05
"""Share of the whole after which a step that goes on is told again where no line can move (arbitrary)."""

WITH_BAR = 79
"""Columns from which on there is room for a bar (arbitrary)."""


class Terminal:
    """Progress on standard error, the result on standard output."""

    def __init__(
        self, *, quiet: bool = False, json: bool = False, out: TextIO | None = None, err: TextIO | None = None
    ) -> None:
        self.quiet = quiet
        self.json = json
        self._out = LossyStream(out or sys.stdout)
        self._err = LossyStream(err or sys.stderr)
        self._moving = _is_terminal(self._err) and not quiet
        self._width = 0
        self._last_activity = Activity(words="", fraction=0.0)

    def step(self, activity: Activity, remaining_s: float | None) -> None:
        """What is measured now, how far all is, and how long it will still take."""
        if self.quiet:
            return
        text, fraction = visible(activity.text), activity.fraction
        still = "" if remaining_s is None or fraction >= 1.0 else f", {still_to_come(remaining_s)}"
        if self._moving:
            line = moving_line(text, fraction, still, max(_columns(self._err) - 1, 20))
            self._err.write("\r" + line + " " * max(self._width - len(line), 0))
            self._width = len(line)
        elif self._is_news(activity):
            self._err.write(f"{fraction:4.0%}  {text}{still}\n")
            self._last_activity = activity
        self._err.flush()

    def _is_news(self, activity: Activity) -> bool:
        """Whether a step is worth a line of its own: another one, or the same having counted up for a while."""
        last = self._last_activity
        counted_on = activity.count != last.count and activity.fraction >= last.fraction + LINE_EVERY
        return activity.words != last.words or counted_on

    def say(self, text: str) -> None:
        """A line of information, unless quiet."""
        if not self.quiet:
            self._clear()
            self._err.write(visible_lines(text) + "\n")
            self._err.flush()

    def urge(self, order: str) -> None:
        """What a person must do now, whatever else was asked for; it stands in the result once more."""
        self._clear()
        self._err.write(visible_lines(order) + "\n")
        self._err.flush()

    def result(self, text: str) -> None:
        """A line of the result, always."""
        self._clear()
        self._out.write(visible_lines(text) + "\n")
        self._out.flush()

    def table(self, verdicts: Sequence[Verdict]) -> None:
        """All verdicts, and why something is not as it should be."""
        from harness.show.table import write_table

        self._clear()
        write_table(cast("TextIO", self._out), verdicts, known_width=_is_terminal(self._out))
        self._out.flush()

    def rows(
        self, layout: Layout, rows: Sequence[TableRow], words: Callable[[Sequence[TableRow]], str] | None = None
    ) -> None:
        """Any other table, and its reasons in the `words` of the rows that share one."""
        from harness.show.columns import together, write_rows

        self._clear()
        out, wide = cast("TextIO", self._out), _is_terminal(self._out)
        write_rows(out, layout, rows, known_width=wide, words=words or together)
        self._out.flush()

    @property
    def trouble(self) -> str:
        """Why the result could not be written, in words; empty where it was, or nobody wanted to read on."""
        return self._out.trouble

    def _clear(self) -> None:
        if self._moving and self._width:
            self._err.write("\r" + " " * self._width + "\r")
            self._err.flush()
            self._width = 0


def moving_line(text: str, fraction: float, still: str, width: int) -> str:
    """One line of at most `width`: a bar where there is room, and of the text what fits beside share and estimate."""
    filled = round(20 * min(max(fraction, 0.0), 1.0))
    bar = f"[{'#' * filled}{'.' * (20 - filled)}] " if width >= WITH_BAR else ""
    start = f"{bar}{fraction:4.0%}  "
    if len(start) + len(text) + len(still) > width:
        still = still.replace("about ", "").replace(" still", "")
    return (start + text[: max(width - len(start) - len(still), 0)] + still)[:width]


def cause_line(words: str, *, known: bool) -> str:
    """What a pattern of verdicts points to; that it points to nothing known is a sentence already."""
    return f"cause: {words}" if known else words


def confirming_line(confirmed_by: str) -> str:
    """What a person does to know whether it is the cause that is named."""
    return f"what would confirm it: {confirmed_by}"


def still_to_come(seconds: float) -> str:
    """An estimate as a person says it, no finer than it is known."""
    if seconds < 5.0:
        return "a few seconds still"
    if seconds < 90.0:
        return f"about {5 * round(seconds / 5.0) if seconds < 30.0 else 10 * round(seconds / 10.0)} s still"
    return f"about {seconds / 60.0:.0f} min still" if seconds < 5400.0 else f"about {seconds / 3600.0:.1f} h still"


def _is_terminal(stream: LossyStream) -> bool:
    try:
        return bool(stream.isatty()) and os.environ.get("TERM") != "dumb"
    except ValueError:
        return False


def _columns(stream: LossyStream) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return 80
