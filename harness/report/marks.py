"""What a reader sees of a standing: a shape on a page, letters at the terminal, a colour, never a colour alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.nouns.standing import Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """The mark of a standing."""

    shape: str
    """On a page."""
    letters: str
    """At the terminal."""
    colour: str
    """At the terminal, as rich names it."""
    style: str
    """Class of a page's style sheets."""
    point: int
    """Shape of a plot's point, a number of `svg.marks`."""
    plotted: str
    """Class of that point."""


MARKS: Mapping[Standing, Mark] = {
    Standing.GOOD: Mark(shape="●", letters="ok", colour="green", style="agrees", point=0, plotted="fine"),
    Standing.BAD: Mark(shape="▲", letters="XX", colour="bold red", style="differs", point=2, plotted="off"),
    Standing.OPEN: Mark(shape="?", letters="??", colour="yellow", style="cannot-tell", point=1, plotted="open"),
    Standing.UNJUDGED: Mark(shape="○", letters="--", colour="dim", style="not-judged", point=3, plotted="unjudged"),
    Standing.ABSENT: Mark(shape="–", letters="--", colour="dim", style="not-run", point=3, plotted="unjudged"),
}
CLAIMS: Mapping[Standing, str] = {Standing.GOOD: "accepted", Standing.BAD: "refused", Standing.OPEN: "open"}
"""What the head of a page may claim."""
