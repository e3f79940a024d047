"""One-way analysis of variance: identities, and what rounding must not do."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.compare.between import f_tail, one_way

numbers = st.floats(-1e3, 1e3).map(lambda value: round(value, 3))
groupings = st.lists(st.lists(numbers, min_size=1, max_size=6), min_size=2, max_size=6)


@given(groupings)
def test_squares_between_and_within_are_all_squares(groups: list[list[float]]) -> None:
    found = one_way(groups)
    every = [value for group in groups for value in group]
    total = math.fsum((value - statistics.fmean(every)) ** 2 for value in every)
    assert math.isclose(found.ss_between + found.ss_within, total, rel_tol=1e-9, abs_tol=1e-6)
    assert found.dof_between + found.dof_within == len(every) - 1


@given(groupings, st.integers(-5, 5))
def test_a_shift_of_all_moves_the_mean_alone(groups: list[list[float]], shift: int) -> None:
    found, moved = one_way(groups), one_way([[value + 1e4 * shift for value in group] for group in groups])
    assert math.isclose(moved.mean, found.mean + 1e4 * shift, abs_tol=1e-6)
    assert math.isclose(moved.s_of_means, found.s_of_means, abs_tol=1e-6)
    assert math.isclose(moved.within_s, found.within_s, abs_tol=1e-6)


def test_single_values_scatter_between_groups_only() -> None:
    found = one_way([[1.0], [2.0], [4.0]])
    assert found.dof_within == 0 and found.within_s == 0.0 and found.size == 1.0
    assert math.isclose(found.s_of_means, statistics.stdev([1.0, 2.0, 4.0]))
    with pytest.raises(MeasurementError, match="no scatter within groups"):
        _ = found.f


def test_sizes_average_so_that_a_mean_scatters_as_the_group_means_do() -> None:
    assert math.isclose(one_way([[1.0, 2.0], [1.0], [1.0, 1.0, 4.0]]).size, 3.0 / (1.0 / 2.0 + 1.0 + 1.0 / 3.0))


@pytest.mark.parametrize("groups", [[], [[1.0]], [[1.0], []]])
def test_too_few_groups_are_refused(groups: list[list[float]]) -> None:
    with pytest.raises(MeasurementError, match="needs 2 groups with a value each, found sizes"):
        one_way(groups)


def test_the_tail_of_f_is_that_of_t_squared() -> None:
    from harness.nouns.coverage import student_quantile

    assert math.isclose(f_tail(student_quantile(0.975, 7.0) ** 2, 1, 7), 0.05, rel_tol=1e-9)
