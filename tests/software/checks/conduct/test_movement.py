"""Kinds of a loop that does not do as it is told, each by a motion of its own."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.conduct.quantities import Following, Trace
from tests.software.checks.conduct.loops import GOALS, MOVE, follows, moved

PERIOD_S = 1e-3


def test_a_sound_loop_starts_where_it_stands_follows_and_tells_what_it_does():
    sound = moved(follows)
    assert (sound.start, sound.following, sound.trace(PERIOD_S)) == (0, Following.AS_TOLD, Trace.SOUND)
    assert sound.up == pytest.approx(0.9, abs=0.03)


@given(share=st.floats(0.45, 1.5), noise=st.floats(0.0, 0.1), seed=st.integers(0, 99))
def test_a_loop_that_goes_about_as_far_as_it_is_told_follows(share, noise, seed):
    import random

    dice = random.Random(seed)
    moves = moved(lambda leg, part: share / 0.9 * follows(leg, part) + dice.uniform(-noise, noise))
    assert (moves.start, moves.following) == (0, Following.AS_TOLD)


KINDS = {
    "ignores its set point": (lambda leg, part: 0.0, {}, Following.NOT),
    "goes the other way and stays": (lambda leg, part: -follows(leg, part), {}, Following.OTHER_WAY),
    "runs away upwards when told to go down": (
        lambda leg, part: follows(leg, part) if leg < 4 else 3.0 * part,
        {"ran": (4, 3 * MOVE)},
        Following.ONE_WAY,
    ),
    "runs away downwards when told to go up": (
        lambda leg, part: follows(leg, part) if leg < 2 else -3.0 * part,
        {"ran": (2, -3 * MOVE)},
        Following.OTHER_WAY,
    ),
    "runs on when told to go up": (
        lambda leg, part: follows(leg, part) if leg < 2 else 3.0 * part,
        {"ran": (2, 3 * MOVE)},
        Following.TOO_FAR,
    ),
    "goes up only, and friction keeps it there": (
        lambda leg, part: 0.9 if leg > 2 else max(0.0, follows(leg, part)),
        {},
        Following.ONE_WAY,
    ),
    "goes up only, too far, and its arm takes it back a part": (
        lambda leg, part: (0.0, 0.0, 2.1, 1.7, 1.65, 1.65)[leg],
        {},
        Following.ONE_WAY,
    ),
    "goes down only, and friction keeps it there": (
        lambda leg, part: 0.0 if leg < 4 else -0.9,
        {},
        Following.ONE_WAY,
    ),
    "runs off at its start": (lambda leg, part: -3.0 * leg * part, {"ran": (1, -3 * MOVE)}, Following.RUNS_OFF),
    "goes up only": (lambda leg, part: max(0.0, follows(leg, part)), {}, Following.ONE_WAY),
    "goes twice as far": (lambda leg, part: 2.0 * follows(leg, part), {}, Following.TOO_FAR),
    "goes a third of the way": (lambda leg, part: follows(leg, part) / 3.0, {}, Following.TOO_LITTLE),
}


@pytest.mark.parametrize("case", KINDS)
def test_each_kind_of_not_following(case):
    motion, changes, kind = KINDS[case]
    assert moved(motion, **changes).following is kind


def test_a_start_that_goes_to_the_older_set_point_is_told_from_one_that_takes_the_reading():
    def older(leg: int, part: float) -> float:
        return 0.9 if leg in (1, 2) else follows(leg, part)

    jumped = moved(older)
    assert jumped.start == 1
    assert jumped.following is Following.AS_TOLD, "what start does is no fault of following"
    assert jumped.trace(PERIOD_S) is Trace.SOUND
    assert moved(older, ran=(1, 3 * MOVE)).start == 1


TRACES = {
    "never called": ({"passes": lambda leg, running: 0}, Trace.NOTHING),
    "long gone": ({"late_us": 9000}, Trace.OLD),
    "readings of another shaft": ({"traced": lambda leg, part, count: 0.0}, Trace.OTHER_READINGS),
    "a constant beside": ({"traced": lambda leg, part, count: count + MOVE / 2}, Trace.OTHER_READINGS),
    "called before the loop runs": ({"passes": lambda leg, running: 5 + running}, Trace.NO_LOOP),
    "the set point in place of the reading": ({"traced": lambda leg, part, count: GOALS[leg]}, Trace.OTHER_READINGS),
    "demands against the error": ({"demand": lambda error: -error}, Trace.AGAINST),
}


@pytest.mark.parametrize("case", TRACES)
def test_each_kind_of_trace(case):
    changes, kind = TRACES[case]
    moves = moved(follows, **changes)
    assert moves.trace(PERIOD_S) is kind
    assert moves.following is Following.AS_TOLD


def test_a_pass_that_was_called_is_told_at_once_and_none_before_it():
    for late_us, kind in ((1100, Trace.SOUND), (2250, Trace.OLD)):
        assert moved(follows, own_pace=0, late_us=late_us).trace(PERIOD_S) is kind
        assert moved(follows, own_pace=1, late_us=late_us).trace(PERIOD_S) is Trace.SOUND
    assert moved(follows, own_pace=0, late_us=1100).trace(0.2e-3) is Trace.SOUND, "several in the millisecond of a row"


def test_a_trace_that_lags_by_passes_has_read_the_shaft():
    lags = moved(follows, traced=lambda leg, part, count: MOVE * follows(leg, max(0.0, part - 0.012)))
    assert lags.trace(PERIOD_S) is Trace.SOUND


def test_a_slow_loop_may_tell_of_passes_as_old_as_its_periods():
    assert moved(follows, late_us=30_000).trace(10e-3) is Trace.SOUND


def test_a_called_pass_may_be_told_as_late_as_its_period_and_its_reading_are_old():
    """A pulse-width output: the hook is given the instant of a reading, not of the pass."""
    old = moved(follows, own_pace=0, late_us=2400)
    assert old.trace(PERIOD_S, age_s=1e-3) is Trace.SOUND
    assert old.trace(PERIOD_S, age_s=0.5e-3) is Trace.OLD
