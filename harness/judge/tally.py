"""Verdicts counted: the first line of a qualification, and the exit code they make."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.base.errors import ExitCode
from harness.checks.catalogue import measurand_of
from harness.nouns.names import Name
from harness.nouns.results import Outcome, Verdict, stateable
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Why a run is undecided: quantities that are open for one reason, and what would close them."""

    names: tuple[str, ...]
    """Full names; of what was required and is in no verdict, as it was required."""
    required: bool
    outcome: Outcome | None = None
    """None where there is no verdict at all."""
    reason: str = ""
    remedies: tuple[str, ...] = ()
    """What would close them, a line each; empty where the reason says it."""
    needs: tuple[str, ...] = ()
    """What the model of one that was not judged lacks."""


def missing(verdicts: Sequence[Verdict], required: Iterable[str]) -> list[Verdict]:
    """Those on what was required and was not run or not judged, neither against a model nor against a requirement.

    Who requires a quantity by its name requires that it be judged. A whole check is there without what nobody asks of:
    a quantity of which the rig file says nothing and the check itself usually nothing, or that no rig file can state.
    """
    wanted = set(required)
    answered = {verdict.name for verdict in verdicts if verdict.outcome.standing.asked}
    left = []
    for verdict in verdicts:
        name = Name(verdict.name)
        asked = wanted & name.own_keys or (wanted & name.keys and not _unasked(verdict))
        if asked and verdict.name not in answered:
            left.append(verdict)
    return left


def _unasked(verdict: Verdict) -> bool:
    """Whether neither the rig file nor the check's own row asks anything of a quantity, or no rig file can."""
    if verdict.outcome is not Outcome.NOT_JUDGED:
        return False
    if verdict.unasked:
        return usually_unasked(verdict.name)
    return verdict.expected is not None and not stateable(verdict.expected.needs)


def usually_unasked(name: str) -> bool:
    """Whether the check's own row asks nothing of a quantity: it is unasked where the rig file is silent."""
    measurand = measurand_of(name)
    return measurand is not None and measurand.detect.entry is None


def gaps(verdicts: Sequence[Verdict], required: Iterable[str] = ()) -> tuple[Gap, ...]:
    """What `exit_code` finds open, required quantities first, those of one reason together."""
    wanted = set(required)
    left = {id(verdict) for verdict in missing(verdicts, wanted)}
    names_by_reason: dict[tuple[bool, Outcome, str, tuple[str, ...], tuple[str, ...]], list[str]] = {}
    for verdict in verdicts:
        if verdict.outcome.standing is Standing.OPEN or id(verdict) in left:
            asked = bool(Name(verdict.name).keys & wanted)
            needs = verdict.expected.needs if verdict.expected is not None else ()
            why = (asked, verdict.outcome, verdict.reason, verdict.remedies, needs)
            names_by_reason.setdefault(why, []).append(verdict.name)
    made = [
        Gap(names=tuple(names), required=asked, outcome=outcome, reason=reason, remedies=remedies, needs=needs)
        for (asked, outcome, reason, remedies, needs), names in names_by_reason.items()
    ]
    unseen = sorted(wanted - {key for verdict in verdicts for key in Name(verdict.name).keys})
    made += [Gap(names=(name,), required=True) for name in unseen]
    return tuple(sorted(made, key=lambda gap: not gap.required))


def exit_code(verdicts: Sequence[Verdict], required: Iterable[str] = ()) -> ExitCode:
    """0, 1 or 2 (the caller knows of 3, 4 and 5). `required` are names, `check.quantity`s or checks."""
    left = [Standing.OPEN for gap in gaps(verdicts, required) if gap.required]
    return overall([*(verdict.outcome.standing for verdict in verdicts), *left]).exit_code
