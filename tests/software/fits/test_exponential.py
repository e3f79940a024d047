"""Heating curves: two terms where the samples carry them, one with its doubt where they do not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits.exponential import Approach, approach
from tests.examples import examples


def heating(
    t: np.ndarray, fast: float = 20.0, slow: float = 50.0, quick: float = 22.0, long: float = 550.0
) -> np.ndarray:
    return fast * (1.0 - np.exp(-t / quick)) + slow * (1.0 - np.exp(-t / long))


def noisy(length_s: float, seed: int, noise: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, length_s, 2.0)
    return t, heating(t) + np.random.default_rng(seed).normal(0.0, noise, t.size)


@examples(15)
@given(
    st.floats(5.0, 40.0), st.floats(10.0, 80.0), st.floats(8.0, 40.0), st.floats(6.0, 30.0), st.sampled_from([1, -1])
)
def test_without_noise_the_network_comes_back(fast: float, slow: float, quick: float, ratio: float, sense: int) -> None:
    t = np.linspace(0.0, 3.0 * quick * ratio, 200)
    found = approach(t, sense * heating(t, fast, slow, quick, quick * ratio), "K", "heat", start=0.0)
    assert found.terms == 2 and found.fast_change is not None and found.fast_time is not None
    assert found.fast_change.value == pytest.approx(sense * fast, rel=1e-3)
    assert found.fast_time.value == pytest.approx(quick, rel=1e-3)
    assert found.slow_change.value == pytest.approx(sense * slow, rel=1e-3)
    assert found.slow_time.value == pytest.approx(quick * ratio, rel=1e-3)
    assert found.final.value == pytest.approx(sense * (fast + slow), rel=1e-3)
    assert found.at(t) == pytest.approx(sense * heating(t, fast, slow, quick, quick * ratio), abs=1e-3 * (fast + slow))


@pytest.mark.parametrize("length_s", [400.0, 1500.0])
def test_the_uncertainty_of_the_final_rise_is_honest(length_s: float) -> None:
    pulls = []
    for seed in range(60):
        found = approach(*noisy(length_s, seed), "K", "heat", start=0.0)
        pulls.append((found.final.value - 70.0) / found.final.u)
    assert 0.75 < math.sqrt(np.mean(np.square(pulls))) < 1.35


def test_stopping_early_is_paid_for() -> None:
    widths = [approach(*noisy(length, 1), "K", "heat", start=0.0).final.u for length in (300.0, 600.0, 1500.0)]
    assert widths[0] > 3.0 * widths[1] > 9.0 * widths[2]


@examples(15)
@given(st.integers(0, 10**6))
def test_one_body_gets_one_term(seed: int) -> None:
    t = np.arange(0.0, 900.0, 3.0)
    y = 40.0 * (1.0 - np.exp(-t / 300.0)) + np.random.default_rng(seed).normal(0.0, 0.1, t.size)
    found = approach(t, y, "K", "heat", start=0.0)
    if found.terms == 1:
        assert found.why.startswith("one time constant") and found.fast_time is None
        assert found.final.value == pytest.approx(40.0, abs=5.0 * found.final.u)


def test_one_body_gets_one_term_nearly_always() -> None:
    t = np.arange(0.0, 900.0, 3.0)
    terms = [
        approach(
            t,
            40.0 * (1.0 - np.exp(-t / 300.0)) + np.random.default_rng(seed).normal(0.0, 0.1, t.size),
            "K",
            "heat",
            start=0.0,
        ).terms
        for seed in range(20)
    ]
    assert terms.count(1) >= 18


def test_a_single_term_forced_on_two_bodies_doubts_itself() -> None:
    t = np.arange(0.0, 900.0, 60.0)  # too coarse for the fast term
    y = heating(t) + np.random.default_rng(2).normal(0.0, 3.0, t.size)
    found = approach(t, y, "K", "heat", start=0.0)
    assert found.terms == 1
    assert "heat.model" in found.final.budget
    assert abs(found.final.value - 70.0) < 2.0 * found.final.u


def test_a_known_final_level_and_an_unknown_start() -> None:
    t = np.linspace(30.0, 400.0, 40)
    cooling = 20.0 + 50.0 * np.exp(-t / 150.0)
    known = approach(t, cooling, "degC", "cool", final=20.0, most_terms=1)
    free = approach(t, cooling, "degC", "cool", most_terms=1)
    for found in (known, free):
        assert found.start.value == pytest.approx(70.0, rel=1e-6)
        assert found.slow_time.value == pytest.approx(150.0, rel=1e-6)
        assert found.final.value == pytest.approx(20.0, rel=1e-6)


def test_known_noise_is_a_floor() -> None:
    t, y = noisy(1500.0, 4, noise=0.01)
    assert approach(t, y, "K", "h", start=0.0, u_y=0.1).final.u == pytest.approx(
        10.0 * approach(t, y, "K", "h", start=0.0).final.u, rel=0.3
    )


def test_the_order_of_samples_does_not_matter() -> None:
    t, y = noisy(800.0, 5)
    shuffled = np.random.default_rng(1).permutation(t.size)

    def numbers(a: Approach) -> tuple[float, float]:
        return a.final.value, a.final.u

    assert numbers(approach(t, y, "K", "h")) == pytest.approx(numbers(approach(t[shuffled], y[shuffled], "K", "h")))


@pytest.mark.parametrize(
    ("t", "y"), [([0, 1, 2], [0, 1, 2]), ([0, 1, 2, 3], [1, 1, 1, 1]), ([1, 1, 1, 1], [1, 2, 3, 4])]
)
def test_what_does_not_move(t: list[float], y: list[float]) -> None:
    with pytest.raises(MeasurementError, match="at least 4 samples of a level that moves"):
        approach(t, y, "K", "heat")


def test_poor_samples_are_honest_about_the_final_rise() -> None:
    """Too coarse and noisy for two terms most of the time; the interval still has to reach the truth."""
    t = np.arange(0.0, 900.0, 60.0)
    found = [
        approach(t, heating(t) + np.random.default_rng(seed).normal(0.0, 3.0, t.size), "K", "heat", start=0.0)
        for seed in range(30)
    ]
    assert [each.terms for each in found].count(1) >= 18
    assert math.sqrt(np.mean([((each.final.value - 70.0) / each.final.u) ** 2 for each in found])) < 1.3
