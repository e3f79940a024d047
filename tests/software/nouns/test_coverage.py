"""Coverage intervals hold what they promise, for every shape and mixture."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.nouns.coverage import half_width, interval, student_quantile
from harness.nouns.monte_carlo import monte_carlo, shortest_interval
from harness.nouns.quantity import Contribution, Quantity, exact, normal, rectangular
from tests.examples import examples

SHAPES = ["normal", "rectangular", "triangular", "arcsine"]
mixtures = st.lists(
    st.tuples(st.sampled_from(SHAPES), st.floats(0.02, 1.0), st.sampled_from([math.inf, 3.0, 8.0])),
    min_size=1,
    max_size=4,
)


def mixture(parts: list[tuple[str, float, float]]) -> Quantity:
    """Finite degrees of freedom only for at most one normal part: then the effective ones are no approximation."""
    budget, used = {}, False
    for number, (shape, u, dof) in enumerate(parts):
        finite = shape == "normal" and math.isfinite(dof) and not used
        lonely = finite and sum(part[0] == "normal" for part in parts) == 1
        used = used or lonely
        budget[f"s{number}"] = Contribution(u=u, shape=shape, dof=dof if lonely else math.inf)  # type: ignore[arg-type]
    return Quantity(value=3.0, unit="V", budget=budget)


@examples(30)
@given(mixtures, st.sampled_from([0.68, 0.95, 0.99]))
def test_the_interval_holds_its_share(parts: list[tuple[str, float, float]], probability: float) -> None:
    q = mixture(parts)
    trials = 40_000
    drawn = monte_carlo(lambda q: q, "V", trials=trials, probability=probability, q=q)
    simulated = (drawn.symmetric[1] - drawn.symmetric[0]) / 2.0
    # 5 standard errors of a binomial share on either side, mapped through the half-width.
    spread = 5.0 * math.sqrt(probability * (1.0 - probability) / trials)
    assert half_width(q, probability - spread) * 0.98 <= simulated <= half_width(q, probability + spread) * 1.02
    low, high = interval(q, probability)
    assert low + high == pytest.approx(6.0)


@given(mixtures, st.floats(0.1, 0.9), st.floats(0.001, 0.09))
@examples(30)
def test_more_probability_is_wider(parts: list[tuple[str, float, float]], probability: float, more: float) -> None:
    q = mixture(parts)
    assert half_width(q, probability) <= half_width(q, probability + more) * (1 + 1e-6)


@given(st.floats(0.01, 100.0), st.floats(0.05, 0.99))
def test_single_shapes_are_exact(u: float, probability: float) -> None:
    assert half_width(rectangular(0.0, u, "", "x"), probability) == pytest.approx(probability * u)
    wave = Quantity(value=0.0, unit="", budget={"x": Contribution(u=u / math.sqrt(2.0), shape="arcsine")})
    assert half_width(wave, probability) == pytest.approx(u * math.sin(math.pi / 2.0 * probability), rel=5e-3)
    tent = Quantity(value=0.0, unit="", budget={"x": Contribution(u=u / math.sqrt(6.0), shape="triangular")})
    half = u * (1.0 - math.sqrt(1.0 - probability))
    assert half_width(tent, probability) == pytest.approx(half, rel=5e-3, abs=2e-3 * u)


def test_few_repeats_are_wide() -> None:
    assert half_width(normal(0.0, 1.0, "", "x", dof=4)) == pytest.approx(2.776, abs=1e-3)
    assert half_width(normal(0.0, 1.0, "", "x")) == pytest.approx(1.960, abs=1e-3)
    assert half_width(exact(1.0, "")) == 0.0


def test_many_small_rectangular_parts_are_a_bell() -> None:
    many = Quantity(
        value=0.0,
        unit="",
        budget={f"s{k}": Contribution(u=0.01, shape="rectangular") for k in range(100)} | {"bell": Contribution(u=1.0)},
    )
    assert half_width(many) == pytest.approx(1.96 * many.u, rel=1e-3)


@pytest.mark.parametrize("probability", [0.0, 1.0, -1.0, 2.0])
def test_a_probability_is_between_0_and_1(probability: float) -> None:
    with pytest.raises(ValueError, match="lies between 0 and 1"):
        half_width(exact(1.0, ""), probability)


@given(st.floats(1e-6, 0.49), st.floats(1.0, 200.0))
def test_student_is_symmetric_and_wider_than_normal(tail: float, dof: float) -> None:
    high = student_quantile(1.0 - tail, dof)
    assert high == pytest.approx(-student_quantile(tail, dof), rel=1e-6)
    assert high >= student_quantile(1.0 - tail, math.inf) * (1 - 1e-9)


@given(st.integers(10, 400), st.floats(0.5, 0.99), st.integers(0, 10**6))
def test_no_interval_of_that_share_is_shorter(count: int, probability: float, seed: int) -> None:
    sample = np.sort(np.random.default_rng(seed).exponential(size=count))
    low, high = shortest_interval(sample, probability)
    inside = min(count - 1, round(probability * count))
    assert np.count_nonzero((sample >= low) & (sample <= high)) >= inside
    assert high - low <= min(sample[k + inside] - sample[k] for k in range(count - inside)) + 1e-12


def test_monte_carlo_repeats_and_shares_sources() -> None:
    a, b = rectangular(1.0, 0.1, "V", "meter"), rectangular(5.0, 0.1, "V", "meter")
    found = monte_carlo(lambda a, b: b - a, "V", trials=1000, a=a, b=b)
    assert found.u < 1e-12 and found.mean == pytest.approx(4.0)
    again = [monte_carlo(lambda a: a, "V", trials=1000, seed=seed, a=a) for seed in (1, 1, 2)]
    assert again[0] == again[1] != again[2]


def test_monte_carlo_takes_integers() -> None:
    whole = {"a": normal(3, 1, "V", "a"), "b": exact(11, "1")}
    found, same = (monte_carlo(lambda a, b: a * b, "V", trials=1000, **each) for each in (whole, FLOATS))
    assert found == same and found.u > 1.0


FLOATS = {"a": normal(3.0, 1.0, "V", "a"), "b": exact(11.0, "1")}


def test_a_model_that_breaks_is_an_error() -> None:
    with pytest.raises(MeasurementError, match="something else than 100 finite numbers"):
        monte_carlo(lambda a: np.full(100, np.nan), "V", trials=100, a=exact(1.0, "V"))
    with pytest.raises(MeasurementError, match="something else"):
        monte_carlo(lambda a: 1.0, "V", trials=100, a=exact(1.0, "V"))
