"""Which checks make the most decisions within a time, and what more time would add."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations


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
    """Every set of checks that can be asked for, each once; `closure` adds what a set needs.

    `seconds_of`, `decisions_of`: of one check on all motors. As many sets as there are, 2^n: checks are few.
    """
    sets = {closure(chosen) for count in range(1, len(names) + 1) for chosen in combinations(names, count)}
    return [
        Option(
            checks=checks,
            seconds=sum(map(seconds_of, checks)),
            decisions=sum(map(decisions_of, checks)),
        )
        for checks in sorted(sets)
    ]


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
