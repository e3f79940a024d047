"""Run lengths, scores, averages, change points, histories."""

from __future__ import annotations

import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import UsageError
from harness.compare import series_of
from harness.compare.drift import MOST_SIGMA, average, change_point, scores
from harness.compare.runlength import limit_for, run_length
from tests.examples import examples
from tests.software.compare.records import ANGLE, INSTRUMENTS, STIFFNESS, quantity, record, scattered

values = st.floats(-100.0, 100.0).map(lambda value: round(value, 3))
weights = st.floats(0.05, 1.0)


# --- run lengths -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("weight", "limit", "length", "at_sigma"),
    [(0.1, 2.814, 500.0, 10.3), (0.25, 2.998, 500.0, 11.1), (0.4, 3.054, 500.0, 14.3), (0.75, 3.087, 500.0, 30.6)],
)
def test_published_run_lengths(weight: float, limit: float, length: float, at_sigma: float) -> None:
    """J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1, table 3 (from memory)."""
    assert run_length(limit, weight) == pytest.approx(length, rel=0.003)
    assert run_length(limit, weight, 1.0) == pytest.approx(at_sigma, abs=0.06)


@given(st.floats(1.0, 4.0), st.floats(0.0, 3.0))
def test_a_weight_of_one_is_a_chart_of_single_values(limit: float, shift: float) -> None:
    normal = statistics.NormalDist(shift)
    outside = 1.0 - normal.cdf(limit) + normal.cdf(-limit)
    assert run_length(limit, 1.0, shift) == pytest.approx(1.0 / outside, rel=1e-6)


@examples(20)
@given(weights, st.floats(1.0, 3.5), st.floats(0.1, 2.0))
def test_run_lengths_grow_with_the_limit_and_shrink_with_a_shift(weight: float, limit: float, shift: float) -> None:
    assert run_length(limit + 0.1, weight) > run_length(limit, weight) > run_length(limit, weight, shift) >= 1.0
    assert run_length(limit, weight, shift) == pytest.approx(run_length(limit, weight, -shift), rel=1e-6)


@examples(20)
@given(st.floats(20.0, 1e5), weights)
def test_the_limit_gives_the_run_length_back(length: float, weight: float) -> None:
    assert run_length(limit_for(length, weight), weight) == pytest.approx(length, rel=1e-4)


def test_weights_and_lengths_out_of_reach_are_refused() -> None:
    with pytest.raises(UsageError, match=r"expected a weight from 0\.05 to 1 and a limit above 0, found 1\.5 and 3"):
        run_length(3.0, 1.5)
    with pytest.raises(UsageError, match="expected a mean run length from 10 to 1e6, found 1"):
        limit_for(1.0, 0.2)


# --- scores and averages -----------------------------------------------------------------------------------


@given(st.lists(values, min_size=3, max_size=20, unique=True), st.floats(0.1, 10.0), st.integers(-100, 100))
def test_scores_know_no_unit_and_no_origin(found: list[float], scale: float, origin: int) -> None:
    plain, scaled = scores(found), scores([scale * value + origin for value in found])
    assert plain[:2] == [None, None]
    for a, b in zip(plain[2:], scaled[2:], strict=True):
        assert a is not None and b is not None and math.isclose(a, b, rel_tol=1e-5, abs_tol=1e-5)


@given(st.lists(values, min_size=3, max_size=20, unique=True))
def test_a_score_is_students_t_of_a_value_against_those_before_it(found: list[float]) -> None:
    from scipy.special import stdtr

    last = scores(found)[-1]
    before = found[:-1]
    t = (found[-1] - statistics.fmean(before)) / statistics.stdev(before) / math.sqrt(1.0 + 1.0 / len(before))
    expected = statistics.NormalDist().inv_cdf(min(max(float(stdtr(len(before) - 1, t)), 1e-15), 1.0 - 1e-15))
    assert last is not None
    assert math.isclose(last, expected, abs_tol=1e-4) or abs(last) > 7.0


def test_values_that_are_all_alike_have_no_scores_until_one_differs() -> None:
    assert scores([5.0] * 6) == [None] * 6
    assert scores([5.0] * 4 + [6.0, 7.0])[:5] == [None] * 5
    assert scores([5.0, 5.1, 4.9, 5.05, 4.95, 5.0, 5.1, 4.9, 1e60])[-1] == MOST_SIGMA


def test_a_drift_is_seen_and_rest_is_not() -> None:
    dice = random.Random(5)
    rest = [dice.gauss(10.0, 0.1) for _ in range(40)]
    assert average(rest).out_at is None
    moved = average(rest + [dice.gauss(10.3, 0.1) for _ in range(10)])
    assert moved.out_at is not None and 40 <= moved.out_at < 46
    low = average(rest + [dice.gauss(9.7, 0.1) for _ in range(10)])
    assert low.out_at is not None and low.averages[low.out_at] < -low.limit  # type: ignore[operator]


@examples(20)
@given(st.lists(values, min_size=3, max_size=20, unique=True), weights)
def test_an_average_weighs_the_past_away(found: list[float], weight: float) -> None:
    mean = average(found, length=100.0, weight=weight)
    level = 0.0
    for score, shown in zip(mean.scores[2:], mean.averages[2:], strict=True):
        assert score is not None and shown is not None
        level = (1.0 - weight) * level + weight * score
        assert math.isclose(level, shown, abs_tol=1e-12)
    assert mean.length == 100.0


# --- change points -----------------------------------------------------------------------------------------


@given(st.integers(3, 20), st.integers(3, 20), st.integers(0, 1000), st.sampled_from([-1.0, 1.0]))
def test_a_large_step_is_found_where_it_is(before: int, after: int, seed: int, way: float) -> None:
    dice = random.Random(seed)
    found = change_point(
        [dice.uniform(-1.0, 1.0) for _ in range(before)] + [20.0 * way + dice.uniform(-1.0, 1.0) for _ in range(after)]
    )
    assert found is not None and found.at == before
    assert found.shift == pytest.approx(20.0 * way, abs=2.0)
    assert found.dof == before + after - 2


@given(st.lists(values, min_size=5, max_size=15))
def test_the_step_is_the_split_with_the_largest_t(found: list[float]) -> None:
    change = change_point(found, risk=0.999999)
    if change is None:
        return
    splits = {}
    for at in range(1, len(found)):
        a, b = found[:at], found[at:]
        squares = sum((x - statistics.fmean(part)) ** 2 for part in (a, b) for x in part)
        u = math.sqrt(squares / (len(found) - 2) * (1.0 / len(a) + 1.0 / len(b)))
        splits[at] = (abs(statistics.fmean(b) - statistics.fmean(a)) / u if u > 1e-9 else math.inf, u)
    best = max(ratio for ratio, _ in splits.values())
    assert splits[change.at][0] == pytest.approx(best, rel=1e-4)
    assert change.u == pytest.approx(splits[change.at][1], rel=1e-3, abs=1e-5)


def test_no_step_where_there_is_none() -> None:
    assert change_point([5.0] * 10) is None
    assert change_point([1.0, 2.0, 1.0, 2.0]) is None  # too few
    assert change_point([1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 1.1, 0.9]) is None
    assert change_point([0.1 + 0.2, 0.3, 0.1 + 0.2, 0.3, 0.3, 0.3]) is None  # one number, rounded in two ways
    exact = change_point([1.0] * 5 + [2.0] * 5)
    assert exact is not None and exact.at == 5 and exact.u == 0.0
    with pytest.raises(UsageError, match="a risk lies between 0 and 1, found 2"):
        change_point([1.0] * 9, risk=2.0)


# --- histories ---------------------------------------------------------------------------------------------


def test_a_history_names_what_was_exchanged_where_it_changed() -> None:
    records = scattered(8)
    later = [
        record({STIFFNESS: quantity(0.72 + 0.002 * (n % 3))}, 20 + n, board="ffff",
               instruments={**INSTRUMENTS, "supply": "Maker,DC supply,SN999,1"})
        for n in range(5)
    ]  # fmt: skip
    (series,) = series_of([*records, *later])
    assert series.name == STIFFNESS and series.unit == "N m/rad" and series.records == tuple(range(13))
    assert series.change is not None and series.change.at == 8
    assert series.exchanged == ("board", "instrument supply")
    assert series.average.out_at is not None and series.average.out_at >= 8


def test_a_quiet_history_has_neither_alarm_nor_change() -> None:
    (series,) = series_of(scattered(12))
    assert series.change is None and series.exchanged == () and series.average.out_at is None


def test_all_quantities_share_the_run_length() -> None:
    names = ("leaf.stiffness.ratio", "wheel.stiffness.ratio", "leaf.stiffness.friction")
    dice = random.Random(2)
    many = [record({name: quantity(dice.gauss(0.7, 0.01), "1") for name in names}, n) for n in range(6)]
    assert {series.average.length for series in series_of(many, length=100.0)} == {300.0}


def test_records_without_the_quantity_are_passed_over_and_angles_go_round() -> None:
    turning = [record({ANGLE: quantity((0.01 * (-1) ** n) % math.tau, "rad")}, n) for n in range(6)]
    turning.insert(3, record({ANGLE: "not run"}, 9))
    (series,) = series_of(turning)
    assert series.records == (0, 1, 2, 4, 5, 6)
    assert max(series.values) - min(series.values) == pytest.approx(0.02)


def test_two_values_are_no_history() -> None:
    assert series_of(scattered(2)) == []
    with pytest.raises(UsageError, match="a history needs records, found none"):
        series_of([])
    with pytest.raises(UsageError, match="simulated and real records are never compared"):
        series_of([*scattered(3), record({STIFFNESS: quantity(0.65)}, 9, simulated=True)])
