"""Verdicts counted: the first line of a qualification, and the exit code they make."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.base.errors import ExitCode
from harness.nouns.names import Name
from harness.nouns.results import Outcome, Verdict

WORST = (Outcome.DIFFERS, Outcome.NONCONFORMING)
OPEN = (Outcome.CANNOT_TELL, Outcome.UNDECIDED)
ABSENT = (Outcome.NOT_JUDGED, Outcome.NOT_RUN)
DECIDED = (Outcome.AGREES, Outcome.CONFORMING, *WORST)


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
    outcomes = {verdict.outcome for verdict in verdicts}
    if outcomes & set(WORST):
        return ExitCode.DIFFERS
    wanted = set(required)
    missing = any(verdict.outcome in ABSENT and Name(verdict.name).keys & wanted for verdict in verdicts)
    unseen = wanted - {key for verdict in verdicts for key in Name(verdict.name).keys}
    if outcomes & set(OPEN) or missing or unseen or not outcomes & set(DECIDED):
        return ExitCode.UNDECIDED
    return ExitCode.AGREES
