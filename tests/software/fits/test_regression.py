"""Least squares: parameters, covariance and degrees of freedom are what a simulation says they are."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits import regression as fit
from harness.nouns.quantity import combine
from tests.examples import examples

seeds = st.integers(0, 2**32 - 1)


@given(st.floats(-100, 100), st.floats(-100, 100), st.integers(3, 40))
def test_a_line_through_points_of_a_line(a: float, b: float, count: int) -> None:
    x = np.linspace(-1.0, 2.0, count)
    found = fit.straight_line(x, a + b * x)
    assert found.values == pytest.approx([a, b], abs=1e-9)
    assert found.dof == count - 2 and not found.absolute


@examples(20)
@given(seeds)
def test_linear_and_nonlinear_agree(seed: int) -> None:
    generator = np.random.default_rng(seed)
    x = np.linspace(0.0, 1.0, 12)
    y = 1.0 + 2.0 * x + generator.normal(0.0, 0.1, x.size)
    line = fit.straight_line(x, y, 0.1)
    bent = fit.nonlinear(lambda p: p[0] + p[1] * x, [0.5, 1.0], y, 0.1)
    assert bent.values == pytest.approx(line.values, rel=1e-6, abs=1e-8)
    assert bent.covariance == pytest.approx(line.covariance, rel=1e-5)
    assert bent.chi_squared == pytest.approx(line.chi_squared, rel=1e-9)


def test_the_uncertainty_is_honest() -> None:
    generator = np.random.default_rng(3)
    x = np.linspace(0.0, 1.0, 15)
    pulls = []
    for _ in range(400):
        found = fit.straight_line(x, 3.0 - x + generator.normal(0.0, 0.2, x.size))
        pulls.append((found.values[1] + 1.0) / found.u[1])
    # t with 13 degrees of freedom has a deviation of sqrt(13 / 11).
    assert np.std(pulls) == pytest.approx(math.sqrt(13 / 11), rel=0.12)


@given(seeds, st.floats(0.1, 10.0))
def test_weights_count_by_their_ratios_unless_absolute(seed: int, scale: float) -> None:
    generator = np.random.default_rng(seed)
    x = np.linspace(0.0, 1.0, 10)
    design = np.column_stack((np.ones_like(x), x))
    y, u = generator.normal(size=10), generator.uniform(0.5, 2.0, 10)
    relative = [fit.linear(design, y, u * k, absolute=False) for k in (1.0, scale)]
    assert relative[0].covariance == pytest.approx(relative[1].covariance, rel=1e-6)
    absolute = [fit.linear(design, y, u * k) for k in (1.0, scale)]
    assert absolute[1].covariance == pytest.approx(scale**2 * absolute[0].covariance, rel=1e-6)
    assert absolute[0].absolute and absolute[0].quantities(["V", "V/s"], "fit")[0].dof == math.inf


def test_parameters_are_correlated_quantities() -> None:
    x = np.linspace(10.0, 11.0, 8)
    found = fit.straight_line(x, x + np.sin(40.0 * x) * 0.01)
    a, b = found.quantities(["V", "V/s"], "leaf.fit")
    assert (a.u, b.u) == (pytest.approx(found.u[0]), pytest.approx(found.u[1]))
    middle = combine(((1.0, a), (10.5, b)), "V")
    assert middle.u == pytest.approx(math.sqrt(np.array([1.0, 10.5]) @ found.covariance @ np.array([1.0, 10.5])))
    assert middle.u < 0.1 * a.u, "far from the origin intercept and slope move against each other"
    assert a.dof == pytest.approx(6.0)


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
def test_the_scale_of_a_parameter_does_not_matter(scale: float) -> None:
    x = np.linspace(0.0, 5.0, 30)
    y = 2.0 * scale * np.exp(-0.7 * x) + 1e-3 * scale * np.sin(9.0 * x)
    found = fit.nonlinear(lambda p: p[0] * np.exp(-p[1] * x), [scale, 1.0], y)
    assert found.values == pytest.approx([2.0 * scale, 0.7], rel=1e-2)
    assert found.u[0] / scale == pytest.approx(5.7e-4, rel=0.3)


def test_bounds_hold() -> None:
    x = np.linspace(0.0, 1.0, 20)
    found = fit.nonlinear(lambda p: p[0] * x, [0.5], 2.0 * x, lower=[0.0], upper=[1.0])
    assert found.values[0] == pytest.approx(1.0)


@examples(20)
@given(seeds, st.floats(0.0, 0.9))
def test_inflation_follows_how_far_neighbours_move_together(seed: int, r: float) -> None:
    generator = np.random.default_rng(seed)
    noise = generator.normal(size=4000)
    series = np.empty_like(noise)
    series[0] = noise[0]
    for k in range(1, noise.size):
        series[k] = r * series[k - 1] + math.sqrt(1.0 - r * r) * noise[k]
    assert fit.inflation(series) == pytest.approx(math.sqrt((1 + r) / (1 - r)), rel=0.25)
    assert fit.inflation(np.tile([1.0, -1.0], 20)) == 1.0
    assert fit.autocorrelation(np.ones(5)) == 0.0


@pytest.mark.parametrize(
    ("x", "y", "u", "match"),
    [
        ([0, 1], [0, 1], None, "2 parameters needs at least 3 points, found 2"),
        ([1, 1, 1], [0, 1, 2], None, "cannot part the parameters"),
        ([0, 1, 2], [0, 1, math.nan], None, "not finite"),
        ([0, 1, 2], [0, 1, 2], 0.0, "uncertainties above 0"),
        ([0, 1, 2], [0, 1], None, "a row for each point"),
    ],
)
def test_what_does_not_support_a_line(x: list[float], y: list[float], u: float | None, match: str) -> None:
    with pytest.raises(MeasurementError, match=match):
        fit.straight_line(x, y, u)


def test_what_does_not_support_a_curve() -> None:
    x = np.linspace(0.0, 1.0, 5)
    with pytest.raises(MeasurementError, match="cannot part the parameters"):
        fit.nonlinear(lambda p: p[0] * p[1] * x, [1.0, 1.0], x)
    with pytest.raises(MeasurementError, match="cannot part the parameters"):
        fit.nonlinear(lambda p: p[0] * x + 0.0 * p[1], [1.0, 1.0], x)
    with pytest.raises(MeasurementError, match="left the range of its model"):
        fit.nonlinear(lambda p: p[0] * np.full(5, np.nan), [1.0], x)
    with pytest.raises(MeasurementError, match="no point depends on"):
        fit.linear(np.zeros((5, 1)), x)
    with pytest.raises(MeasurementError, match="1 parameters needs at least 2 points"):
        fit.nonlinear(lambda p: p[0] * np.ones(1), [1.0], [1.0])
