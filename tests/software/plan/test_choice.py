"""The choice within a time: never over it, never worse than anything that fits, and what more time adds is in order."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from harness.checks.catalogue import CHECK_NAMES
from harness.plan.choice import Option, choose, options
from harness.plan.order import selected_checks

SECONDS = st.fixed_dictionaries({name: st.floats(0.0, 1e4) for name in CHECK_NAMES})
DECISIONS = st.fixed_dictionaries({name: st.integers(0, 50) for name in CHECK_NAMES})
TIME = st.floats(0.1, 5e4)


def every(seconds: dict[str, float], decisions: dict[str, int]) -> list[Option]:
    return options(CHECK_NAMES, selected_checks, seconds.__getitem__, decisions.__getitem__)


@given(SECONDS, DECISIONS, TIME)
def test_a_choice_is_never_over_the_time_and_never_worse_than_what_fits(seconds, decisions, time_s):
    choice = choose(every(seconds, decisions), time_s)
    for name in CHECK_NAMES:  # a single check, with what it needs
        asked = selected_checks([name])
        if sum(seconds[each] for each in asked) <= time_s:
            assert choice.best is not None
            assert choice.best.decisions >= sum(decisions[each] for each in asked)
    if choice.best is not None:
        assert choice.best.seconds <= time_s
        assert choice.best.seconds == sum(seconds[name] for name in choice.best.checks)
        assert choice.best.decisions == sum(decisions[name] for name in choice.best.checks)


@given(SECONDS, DECISIONS, TIME)
def test_no_set_of_checks_at_all_would_do_better(seconds, decisions, time_s):
    """By trying every one, which is for few checks only."""
    sets = {selected_checks(some) for count in (1, 2, 3) for some in combinations(CHECK_NAMES, count)}
    fitting = [sum(decisions[n] for n in some) for some in sets if sum(seconds[n] for n in some) <= time_s]
    best = choose(every(seconds, decisions), time_s).best
    assert (-1 if best is None else best.decisions) >= max(fitting, default=-1)


def test_thirty_checks_are_chosen_from_as_well():
    """Each needs the first; trying every set of them would never end."""
    names = [f"check {number}" for number in range(30)]

    def closure(some):
        return tuple(name for name in names if name in some or name == names[0])

    found = options(names, closure, lambda name: 10.0 + names.index(name), lambda name: 1 + names.index(name) % 7)
    best = choose(found, 100.0).best
    assert best is not None and best.seconds <= 100.0 and names[0] in best.checks
    assert len(found) < 1000


@given(SECONDS, DECISIONS, TIME)
def test_what_is_chosen_brings_what_it_needs(seconds, decisions, time_s):
    choice = choose(every(seconds, decisions), time_s)
    for option in (*([choice.best] if choice.best else []), *choice.more):
        assert option.checks == selected_checks(option.checks)


@given(SECONDS, DECISIONS, TIME)
def test_more_time_adds_decisions_each_as_soon_as_it_can(seconds, decisions, time_s):
    found = every(seconds, decisions)
    choice = choose(found, time_s)
    before = choice.best.decisions if choice.best is not None else 0
    for option in choice.more:
        assert option.seconds > time_s
        assert option.decisions > before
        assert not [o for o in found if o.seconds < option.seconds and o.decisions >= option.decisions > before]
        before = option.decisions
    assert max(option.decisions for option in found) == before


@given(SECONDS, DECISIONS, TIME, TIME)
def test_a_longer_time_never_decides_less(seconds, decisions, one_s, other_s):
    found = every(seconds, decisions)
    short, long = (choose(found, time_s).best for time_s in sorted((one_s, other_s)))
    assert short is None or (long is not None and long.decisions >= short.decisions)


def test_of_as_many_decisions_the_shortest_is_chosen():
    slow, quick = Option(checks=("a",), seconds=9.0, decisions=5), Option(checks=("b",), seconds=3.0, decisions=5)
    assert choose([slow, quick], 10.0).best == quick
    assert choose([slow, quick], 1.0).more == (quick,)
