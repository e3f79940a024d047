"""Verdicts counted: the first line of a qualification, and the exit code they make."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.base.errors import ExitCode
from harness.nouns.names import Name
from harness.nouns.results import Outcome, Verdict
from harness.nouns.standing import Standing, overall


def counts(verdicts: Iterable[Verdict]) -> dict[Outcome, int]:
    """How many verdicts of each word, all words present, in the order of Outcome."""
    result = dict.fromkeys(Outcome, 0)
    for verdict in verdicts:
        result[verdict.outcome] += 1
    return result


def headline(verdicts: Sequence[Verdict]) -> str:
    """The first line of a qualification: every word that occurs, counted."""
    return ", ".join(f"{count} {word.value}" for word, count in counts(verdicts).items() if count) or "nothing judged"


def exit_code(verdicts: Sequence[Verdict], required: Iterable[str] = ()) -> ExitCode:
    """0, 1 or 2 (the caller knows of 3, 4 and 5). `required` are names, `check.quantity`s or checks."""
    wanted = set(required)
    missing = [one for one in verdicts if not one.outcome.standing.told and Name(one.name).keys & wanted]
    unseen = wanted - {key for verdict in verdicts for key in Name(verdict.name).keys}
    gaps = [Standing.OPEN] if missing or unseen else []
    return overall([*(verdict.outcome.standing for verdict in verdicts), *gaps]).exit_code
