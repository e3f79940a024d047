"""Which checks make the most decisions within a time, and what more time would add."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """Checks that can be run together, with all that they need."""

    checks: tuple[str, ...]
    seconds: float
    decisions: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What to run within a time."""

    best: Option | None
    """None where not even the shortest fits."""
    more: tuple[Option, ...]
    """What longer times would decide: each the shortest that decides more than the one before."""


def options(
    names: Sequence[str],
    closure: Callable[[Sequence[str]], tuple[str, ...]],
    seconds_of: Callable[[str], float],
    decisions_of: Callable[[str], int],
) -> list[Option]:
    """Sets of checks that can be asked for, those left out that another beats: no longer, with as many decisions.

    `closure` adds what a set needs; `seconds_of`, `decisions_of`: of one check on all motors. Grown by one check at a
    time; of sets that have alike what others need, the beaten ones never do better later. So they stay as few as there
    are numbers of decisions, where all sets would be 2^n.
    """
    needed = {other for name in names for other in closure([name]) if other != name}
    grown: dict[frozenset[str], Option] = {}
    for name in sorted(names, key=lambda name: len(closure([name]))):
        for before in [frozenset[str](), *grown]:
            checks = closure([*before, name])
            if (key := frozenset(checks)) not in grown:
                seconds, decisions = sum(map(seconds_of, checks)), sum(map(decisions_of, checks))
                grown[key] = Option(checks=checks, seconds=seconds, decisions=decisions)
        grown = _unbeaten(grown, needed)
    return sorted(grown.values(), key=lambda option: option.checks)


def _unbeaten(grown: Mapping[frozenset[str], Option], needed: set[str]) -> dict[frozenset[str], Option]:
    """Of those with the same of what is needed, each the shortest with so many decisions or more."""
    most: dict[frozenset[str], int] = {}
    kept = {}
    for key, option in sorted(grown.items(), key=lambda item: (item[1].seconds, -item[1].decisions, item[1].checks)):
        alike = key & needed
        if option.decisions > most.get(alike, -1):
            most[alike], kept[key] = option.decisions, option
    return kept


def choose(every: Iterable[Option], within_s: float) -> Choice:
    """The option with the most decisions that takes no longer; of several with as many, the shortest.

    >>> quick, slow = (Option(checks=(n,), seconds=s, decisions=d) for n, s, d in (("a", 10.0, 3), ("b", 90.0, 9)))
    >>> choose([quick, slow], 60.0).best.checks, [more.checks for more in choose([quick, slow], 60.0).more]
    (('a',), [('b',)])
    """
    ordered = sorted(every, key=lambda option: (option.seconds, -option.decisions, option.checks))
    fitting = [option for option in ordered if option.seconds <= within_s]
    best = max(fitting, key=lambda option: (option.decisions, -option.seconds), default=None)
    more: list[Option] = []
    most = best.decisions if best is not None else 0
    for option in ordered:
        if option.seconds > within_s and option.decisions > most:
            more.append(option)
            most = option.decisions
    return Choice(best=best, more=tuple(more))
