"""Lags behind a known input: against small steps, and back from what they make."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits.lags import Belief, Input, LevelRecord, one_more, respond
from tests.examples import examples

AT_S = np.concatenate((np.arange(0.0, 80.0, 2.5), np.arange(80.0, 600.0, 8.0)))
POWER = np.where(AT_S[:-1] < 300.0, 2.0, 1.0)
DRIVE = Input(at_s=AT_S, first=POWER, last=POWER)


def by_steps(drive: Input, time_s: float, steps: int = 400) -> np.ndarray:
    """The same lag by midpoint steps."""
    level, levels = 0.0, [0.0]
    for at, until, first, last in zip(drive.at_s[:-1], drive.at_s[1:], drive.first, drive.last, strict=True):
        h = (until - at) / steps
        for step in range(steps):
            now = first + (last - first) * (step + 0.5) / steps
            half = level + h / 2.0 * (now - level) / time_s
            level += h * (now - half) / time_s
        levels.append(level)
    return np.array(levels)


@examples(10)
@given(
    time_s=st.floats(2.0, 500.0),
    levels=st.lists(st.tuples(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0)), min_size=4, max_size=4),
)
def test_a_lag_is_what_small_steps_make(time_s: float, levels: list[tuple[float, float]]) -> None:
    first, last = np.array(levels).T
    drive = Input(at_s=np.array([0.0, 3.0, 4.0, 40.0, 41.5]), first=first, last=last)
    assert drive.lagged(time_s) == pytest.approx(by_steps(drive, time_s), abs=2e-3)


def test_a_record_many_times_longer_than_the_lag_stays_in_range() -> None:
    at_s = np.linspace(0.0, 5000.0, 300)
    drive = Input(at_s=at_s, first=np.ones(299), last=np.ones(299))
    assert drive.lagged(0.5)[1:] == pytest.approx(np.ones(299), abs=1e-9)


@examples(10)
@given(fast_s=st.floats(15.0, 30.0), slow_s=st.floats(300.0, 700.0), start=st.floats(-2.0, 10.0))
def test_two_lags_and_what_was_left_of_before_come_back(fast_s: float, slow_s: float, start: float) -> None:
    y = 20.0 + start * np.exp(-AT_S / slow_s) + 12.0 * DRIVE.lagged(slow_s) + 4.0 * DRIVE.lagged(fast_s)
    y = y + np.random.default_rng(1).normal(0.0, 1e-4, y.size)
    found = respond(LevelRecord(drive=DRIVE, places=np.arange(AT_S.size), y=y, at_rest=False))
    level, (slow, fast) = found.parted(found.fit.values)
    assert found.terms == 2
    assert level == pytest.approx(20.0, abs=0.05)
    assert (slow.time_s, fast.time_s) == pytest.approx((slow_s, fast_s), rel=0.01)
    assert (slow.gain, fast.gain) == pytest.approx((12.0, 4.0), rel=0.01)


@examples(40)
@given(
    times=st.tuples(st.floats(1.0, 40.0), st.floats(60.0, 3000.0)),
    linear=st.lists(st.floats(-5.0, 5.0), min_size=6, max_size=6),
    at_rest=st.booleans(),
    driven=st.booleans(),
    quick=st.sampled_from([((1.0, 1.0),), ((0.4, 1.2), (0.6, 0.8))]),
)
def test_slopes_are_what_small_changes_make(
    times: tuple[float, float],
    linear: list[float],
    at_rest: bool,
    driven: bool,
    quick: tuple[tuple[float, float], ...],
) -> None:
    drive = DRIVE if driven else Input(at_s=AT_S, first=0.0 * POWER, last=0.0 * POWER)
    places = np.arange(0, AT_S.size, 3)
    belief = Belief(effect=np.linspace(0.0, 1.0, places.size), value=0.5, u=0.2, u_y=0.1)
    record = LevelRecord(
        drive=drive, places=places, y=np.zeros(places.size), at_rest=at_rest, quick=quick, beliefs=(belief,)
    )
    columns = record.design(times[::-1]).shape[1]
    parameters = np.array([*linear[: columns - 1], 1.3, *np.log(times[::-1])])
    slopes = record.slopes(parameters, 2)
    for place in range(parameters.size):
        step = np.zeros(parameters.size)
        step[place] = 1e-5
        changed = (record.model(parameters + step, 2) - record.model(parameters - step, 2)) / 2e-5
        assert slopes[:, place] == pytest.approx(changed, abs=1e-6)


def test_one_more_body_is_found_where_there_is_one() -> None:
    y = 20.0 + 8.0 * DRIVE.lagged(250.0) + 4.0 * DRIVE.lagged(20.0) + 9.0 * DRIVE.lagged(1500.0)
    y = y + np.random.default_rng(1).normal(0.0, 1e-3, y.size)
    found = respond(LevelRecord(drive=DRIVE, places=np.arange(AT_S.size), y=y, at_rest=True))
    wider = one_more(found, [700.0, 1500.0, 4000.0])
    gains = [sum(term.gain for term in each.parted(each.fit.values)[1]) for each in wider]
    assert min(gains) <= 21.0 * 1.05
    assert max(gains) >= 21.0 * 0.95


def test_a_level_that_does_not_move_tells_nothing() -> None:
    with pytest.raises(MeasurementError, match="at least 4 samples of a level that moves"):
        respond(LevelRecord(drive=DRIVE, places=np.arange(AT_S.size), y=np.ones(AT_S.size), at_rest=True))
