"""Capability indices and their confidence limits, against published tolerance factors and by simulation."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtri, ndtri

from harness.base.errors import MeasurementError
from harness.lot.capability import (
    LEAST_BOARDS,
    SpecificationLimits,
    capability_of,
    least_cp,
    least_index,
    normality,
)
from tests.examples import examples
from tests.software.lot.simulation import bissell, missed

UPPER = SpecificationLimits(high=6.0)


@pytest.mark.parametrize(
    ("count", "share", "factor"),
    [
        # One-sided tolerance factors for a normal distribution, confidence 95 %: M. G. Natrella, Experimental
        # Statistics, NBS Handbook 91 (1963), table A-7 (from memory).
        (5, 0.95, 4.203),
        (10, 0.90, 2.355),
        (10, 0.95, 2.911),
        (10, 0.99, 3.981),
        (20, 0.99, 3.295),
        (30, 0.90, 1.777),
        (30, 0.95, 2.220),
    ],
)
def test_lower_limits_are_one_sided_tolerance_limits(count: int, share: float, factor: float) -> None:
    assert 3.0 * least_index(factor / 3.0, count) == pytest.approx(float(ndtri(share)), abs=0.0006)


@pytest.mark.parametrize("count", [10, 30, 100])
@pytest.mark.parametrize("found", [0.5, 1.0, 1.33, 2.0])
def test_lower_limits_lie_beside_an_approximation_that_shares_nothing_with_them(count: int, found: float) -> None:
    assert least_index(found, count) == pytest.approx(bissell(found, count), abs=0.4 / count)


@pytest.mark.parametrize(
    ("count", "low", "high", "least"),
    [(10, None, 1.33, 0.045), (30, None, 1.0, 0.045), (10, 1.0, 2.0, 0.045), (10, 1.33, 1.33, 0.02)],
)
def test_a_limit_is_above_the_true_index_as_often_as_stated(
    count: int, low: float | None, high: float, least: float
) -> None:
    share = missed(count, low, high, 20_000)
    assert least <= share <= 0.05 + 0.0046  # three standard deviations of a count of 20 000
    assert missed(count, low, high, 20_000, even=True) < share  # boards drawn evenly have no tails


def test_the_limit_of_cp_is_above_it_as_often_as_stated() -> None:
    lots = np.random.default_rng(8).standard_normal((20_000, 10))
    s = lots.std(axis=1, ddof=1)
    found = 1.5 / s  # limits at +-4.5 of a process of s 1: Cp 1.5
    assert float(np.mean(found * math.sqrt(chdtri(9, 0.95) / 9) > 1.5)) == pytest.approx(0.05, abs=0.005)
    assert least_cp(1.5, 10) == pytest.approx(1.5 * math.sqrt(3.3251 / 9), rel=1e-4)  # chi-square 0.05, 9 (tables)


@examples(60)
@given(
    st.lists(st.floats(-1.0, 1.0), min_size=10, max_size=40).filter(lambda v: np.std(v) > 1e-3),
    st.floats(-5.0, 5.0),
    st.floats(0.1, 10.0),
    st.floats(0.0, 0.5),
)
def test_capability_knows_no_unit_and_no_zero(values: list[float], offset: float, unit: float, shift: float) -> None:
    limits = SpecificationLimits(low=-2.0, high=1.5)
    capability = capability_of(values, limits, shift)
    moved = SpecificationLimits(low=-2.0 * unit + offset, high=1.5 * unit + offset)
    other = capability_of([value * unit + offset for value in values], moved, shift * unit)
    for name in ("cp", "cp_least", "cpk", "cpk_least", "cpk_bench"):
        assert getattr(other, name) == pytest.approx(getattr(capability, name), rel=1e-6, abs=1e-6)
    assert capability.cpk_least < capability.cpk <= capability.cp + 1e-12  # type: ignore[operator]
    assert capability.cpk_bench <= capability.cpk_least
    mirrored = capability_of([-value for value in values], SpecificationLimits(low=-1.5, high=2.0), shift)
    assert mirrored.cpk == pytest.approx(capability.cpk)


def test_one_limit_has_no_cp_and_a_process_beyond_it_a_negative_index() -> None:
    values = [7.0 + 0.1 * k for k in range(12)]
    found = capability_of(values, UPPER)
    assert found.cp is None
    assert found.cpk == pytest.approx((6.0 - 7.55) / (3.0 * float(np.std(values, ddof=1))))
    assert found.cpk_least < found.cpk < 0.0


def test_a_shift_of_the_bench_costs_capability() -> None:
    values = [4.0 + 0.1 * k for k in range(-6, 6)]
    still, shifted = capability_of(values, UPPER), capability_of(values, UPPER, 0.3)
    assert shifted.cpk == still.cpk
    assert shifted.cpk_least == still.cpk_least
    assert shifted.cpk_bench < still.cpk_bench < still.cpk_least


@pytest.mark.parametrize("count", [0, 1, 7, LEAST_BOARDS - 1])
def test_too_few_boards_give_no_figure(count: int) -> None:
    with pytest.raises(MeasurementError, match=rf"too few boards \({count} of 10\)"):
        capability_of([1.0 + 0.1 * k for k in range(count)], UPPER)


def test_boards_that_do_not_scatter_give_none_either() -> None:
    with pytest.raises(MeasurementError, match="do not scatter at all"):
        capability_of([0.1 + 0.2] * 12, UPPER)


def test_a_sample_that_is_not_normal_is_called_doubtful() -> None:
    dice = random.Random(5)
    crooked = [1e6 + math.exp(2.0 * dice.gauss(0.0, 1.0)) for _ in range(30)]
    assert capability_of(crooked, SpecificationLimits(high=2e6)).doubtful
    p = [normality(_normal(seed)) for seed in range(200)]
    assert sum(chance < 0.05 for chance in p) <= 22  # 5 % of 200, three standard deviations


def _normal(seed: int) -> list[float]:
    dice = random.Random(seed)
    return [dice.gauss(0.0, 1.0) for _ in range(15)]
