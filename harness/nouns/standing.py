"""What a verdict, a finding or a decision comes to, whatever its word: good, bad, open, or nothing at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from enum import Enum
from typing import Protocol

from harness.base.errors import ExitCode


class Standing(Enum):
    """What a word of a verdict says for its board, its bench or its release; in the order in which they are counted."""

    GOOD = "good"
    BAD = "bad"
    OPEN = "open"
    """It was asked, and could not be told."""
    UNJUDGED = "unjudged"
    """There is a number, and nothing was asked of it."""
    ABSENT = "absent"
    """There is no number."""

    @property
    def decided(self) -> bool:
        """Whether it was told one way or the other."""
        return self in (Standing.GOOD, Standing.BAD)

    @property
    def asked(self) -> bool:
        """Whether something was asked, and an answer looked for."""
        return self.decided or self is Standing.OPEN

    @property
    def exit_code(self) -> ExitCode:
        """1 where something is bad, 0 where all that was asked is good, else 2."""
        return {Standing.GOOD: ExitCode.AGREES, Standing.BAD: ExitCode.DIFFERS}.get(self, ExitCode.UNDECIDED)


SEVERITY = (Standing.BAD, Standing.OPEN, Standing.GOOD, Standing.UNJUDGED, Standing.ABSENT)


def worst(standings: Iterable[Standing]) -> Standing:
    """The one that goes before the others: bad, open, good, unjudged; absent where there is none.

    >>> worst([Standing.GOOD, Standing.OPEN, Standing.ABSENT]).value
    'open'
    """
    return min(standings, key=SEVERITY.index, default=Standing.ABSENT)


def overall(standings: Iterable[Standing]) -> Standing:
    """What all together come to: bad or open where one of them is, good where any is; where nothing was told, open.

    >>> overall([Standing.GOOD, Standing.ABSENT]).value, overall([Standing.ABSENT]).value
    ('good', 'open')
    """
    standing = worst(standings)
    return standing if standing.asked else Standing.OPEN


class Word(Protocol):
    """A word that says how something stands: of a verdict, of a gauge, of a decision."""

    @property
    def standing(self) -> Standing:
        """What it says."""


def standing_of(words: Callable[[str], Word], word: str) -> Standing:
    """The standing of a word that stands in a record; open where it is none of `words`.

    >>> from harness.nouns.results import Outcome
    >>> standing_of(Outcome, "agrees").value, standing_of(Outcome, "a word to come").value
    ('good', 'open')
    """
    try:
        return words(word).standing
    except ValueError:
        return Standing.OPEN


def of_exit_code(code: int | None) -> Standing:
    """What a run that ended with this exit code came to; absent where nothing was decided (3, 4, 5, or no end).

    >>> of_exit_code(1).value, of_exit_code(3).value
    ('bad', 'absent')
    """
    return next((standing for standing in Standing if standing.asked and standing.exit_code == code), Standing.ABSENT)
