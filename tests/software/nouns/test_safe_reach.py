"""How far an error reaches at a small risk: as far as its shapes go, and few readings never understated."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtri, ndtr

from harness.nouns.coverage import half_width, safe_factor, safe_half_width, safe_tail
from harness.nouns.quantity import Contribution, Quantity, exact, rectangular
from tests.examples import examples

SHAPES = ["normal", "rectangular", "triangular", "arcsine"]
DOFS = [1.0, 2.0, 4.0, 9.0, 30.0, math.inf]
parts = st.lists(
    st.tuples(st.sampled_from(SHAPES), st.floats(0.02, 1.0), st.sampled_from(DOFS)), min_size=1, max_size=5
)
small_risks = st.floats(1e-6, 1e-2)


def quantity(stated: list[tuple[str, float, float]]) -> Quantity:
    return Quantity(
        value=3.0,
        unit="V",
        budget={
            f"s{number}": Contribution(u=u, shape=shape, dof=dof if shape == "normal" else math.inf)  # type: ignore[arg-type]
            for number, (shape, u, dof) in enumerate(stated)
        },
    )


@given(parts.filter(lambda found: all(shape == "normal" for shape, _, _ in found)), small_risks)
def test_of_what_is_not_bounded_it_is_the_safe_factor(stated: list[tuple[str, float, float]], risk: float) -> None:
    q = quantity(stated)
    assert safe_half_width(q, risk) == pytest.approx(safe_factor(q, risk / 2.0) * q.u, rel=1e-9)


@examples(60)
@given(parts, small_risks)
def test_shapes_only_ever_bring_it_nearer(stated: list[tuple[str, float, float]], risk: float) -> None:
    """Than the safe factor, which gives a tolerance the tails of a normal; one reading beside a tolerance apart."""
    q = quantity([(shape, u, max(dof, 2.0)) for shape, u, dof in stated])
    assert safe_half_width(q, risk) <= safe_factor(q, risk / 2.0) * q.u * 1.01


@examples(60)
@given(parts, small_risks)
def test_it_never_reaches_beyond_all_tolerances_and_the_rest(
    stated: list[tuple[str, float, float]], risk: float
) -> None:
    q = quantity(stated)
    bell = Quantity(value=0.0, unit="V", budget={k: p for k, p in q.budget.items() if p.shape == "normal"})
    ends = sum(half_width(quantity([(s, u, d)]), 1.0 - 1e-12) for s, u, d in stated if s != "normal")
    assert safe_half_width(q, risk) <= (ends + safe_half_width(bell, risk) if bell.budget else ends) * 1.02


@examples(60)
@given(parts, small_risks, st.integers(0, 4), st.floats(1.0, 5.0))
def test_it_grows_with_every_part(
    stated: list[tuple[str, float, float]], risk: float, which: int, times: float
) -> None:
    wider = list(stated)
    shape, u, dof = wider[which % len(wider)]
    wider[which % len(wider)] = (shape, u * times, dof)
    # An arcsine has two summits and no middle: beside another one it can lose its own.
    slack = 1.02 if any(name == "arcsine" for name, _, _ in stated) else 1.002
    assert safe_half_width(quantity(stated), risk) <= safe_half_width(quantity(wider), risk) * slack


@examples(60)
@given(parts, st.floats(1e-6, 0.9))
def test_the_tail_beyond_it_is_half_of_the_risk(stated: list[tuple[str, float, float]], risk: float) -> None:
    q = quantity(stated)
    reach = safe_half_width(q, risk)
    assert safe_tail(q, 1.004 * reach) <= risk / 2.0 <= safe_tail(q, 0.996 * reach)


def test_of_the_exact_nothing_lies_beyond() -> None:
    assert safe_half_width(exact(1.0, "V"), 0.01) == 0.0
    assert safe_tail(exact(1.0, "V"), 0.0) == 0.0
    assert safe_tail(exact(1.0, "V"), -0.1) == 1.0


@given(parts, st.floats(0.0, 5.0))
def test_tails_of_both_sides_make_one(stated: list[tuple[str, float, float]], distance: float) -> None:
    q = quantity(stated)
    assert safe_tail(q, distance) + safe_tail(q, -distance) == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize("risk", [0.0, 1.1, -0.1])
def test_a_risk_is_between_0_and_1(risk: float) -> None:
    with pytest.raises(ValueError, match="a risk lies between 0 and 1"):
        safe_half_width(rectangular(0.0, 1.0, "V", "x"), risk)


def beyond_sum(limit: float, sigma: float) -> float:
    """Probability that a rectangular error of half-width 1 and a normal one go together beyond +-limit, exactly."""

    def whole(x: float) -> float:
        return x * float(ndtr(x)) + math.exp(-x * x / 2.0) / math.sqrt(math.tau)

    return sigma * (whole((1.0 - limit) / sigma) - whole((-1.0 - limit) / sigma))


@pytest.mark.parametrize("dof", [1, 2, 3, 9])
@pytest.mark.parametrize("risk", [0.1, 0.01, 1.2e-4])
@pytest.mark.parametrize("sigma", [0.05, 0.3, 1.0])
def test_few_readings_beside_a_tolerance_never_exceed_the_risk(dof: int, risk: float, sigma: float) -> None:
    """Over all that the readings' scatter may come out as, by quadrature over its probability."""
    low = np.exp(np.linspace(math.log(risk * 1e-3), math.log(0.5), 60))
    levels = np.concatenate([[0.0], low, 1.0 - low[-2::-1], [1.0]])
    shares = np.diff(levels)
    scatters = sigma * np.sqrt(chdtri(dof, 1.0 - (levels[:-1] + levels[1:]) / 2.0) / dof)
    tolerance = Contribution(u=1.0 / math.sqrt(3.0), shape="rectangular")
    found = 0.0
    for share, scatter in zip(shares, scatters, strict=True):
        budget = {"tolerance": tolerance, "readings": Contribution(u=float(scatter), dof=dof)}
        found += share * beyond_sum(safe_half_width(Quantity(value=0.0, unit="V", budget=budget), risk), sigma)
    assert found <= 1.01 * risk
