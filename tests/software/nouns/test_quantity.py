"""Quantities: budgets add, cancel and propagate as JCGM 100 says, whatever the numbers."""

from __future__ import annotations

import math
from statistics import mean, stdev

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.nouns.quantity import (
    BEND,
    NEAR,
    Contribution,
    Quantity,
    combine,
    difference,
    effective_dof,
    exact,
    from_covariance,
    mean_and_deviation,
    normal,
    propagate,
    rectangular,
    repeats,
    scaled,
    shifted,
)

values = st.floats(-1e6, 1e6, allow_nan=False)
parts = st.builds(
    Contribution,
    u=st.floats(-1e3, 1e3).filter(lambda u: abs(u) > 1e-6 or u == 0.0),
    shape=st.sampled_from(["normal", "rectangular", "triangular", "arcsine"]),
    dof=st.one_of(st.just(math.inf), st.floats(1.0, 100.0)),
)
budgets = st.dictionaries(st.sampled_from(["a", "b", "c", "fit#1", "fit#2", "meter"]), parts, max_size=5)
quantities = st.builds(Quantity, value=values, unit=st.just("V"), budget=budgets)


def covariance(a: Quantity, b: Quantity) -> float:
    """By the sources that both share."""
    return math.fsum(part.u * b.budget[source].u for source, part in a.budget.items() if source in b.budget)


@given(quantities)
def test_what_comes_from_one_place_cancels(q: Quantity) -> None:
    gap = difference(q, q)
    assert gap.value == 0.0 and gap.u == 0.0 and not gap.budget and gap.exact


@given(quantities, quantities)
def test_a_difference_turns_round(a: Quantity, b: Quantity) -> None:
    there, back = difference(a, b), difference(b, a)
    assert there.value == -back.value
    assert there.u == pytest.approx(back.u)


@given(quantities, quantities)
def test_the_variance_of_a_difference_takes_the_covariance(a: Quantity, b: Quantity) -> None:
    expected = a.u**2 + b.u**2 - 2.0 * covariance(a, b)
    assert difference(a, b).u ** 2 == pytest.approx(expected, rel=1e-9, abs=1e-9 * (a.u**2 + b.u**2) + 1e-300)


@given(quantities, st.floats(-100.0, 100.0))
def test_scaling_scales_every_part(q: Quantity, factor: float) -> None:
    assert scaled(q, factor, "V").u == pytest.approx(abs(factor) * q.u, rel=1e-9)


@given(quantities, quantities, st.floats(-9.0, 9.0), st.floats(-9.0, 9.0))
def test_propagation_through_a_line_is_exact(a: Quantity, b: Quantity, p: float, q: float) -> None:
    direct = combine(((p, a), (q, b)), "V")
    through = propagate(lambda a, b: p * a + q * b, "V", a=a, b=b)
    assert through.value == pytest.approx(direct.value, rel=1e-9, abs=1e-6)
    scale = abs(p) * a.u + abs(q) * b.u + 1e-9 * (abs(p * a.value) + abs(q * b.value)) + 1e-9
    # Sixteen digits of the value, over a step of a thousandth of u.
    rounding = 2.0**-52 * (abs(p * a.value) + abs(q * b.value)) / NEAR
    assert through.u == pytest.approx(direct.u, abs=1e-6 * scale + rounding)


@given(quantities)
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(q: Quantity) -> None:
    finite = {}
    for source, part in q.budget.items():
        if part.type_a and part.u:
            finite.setdefault((source.partition("#")[0], part.dof), part.dof)
    assert effective_dof(q.budget) == q.dof
    if q.u and finite:
        assert q.dof >= min(finite.values()) * (1.0 - 1e-9)
    else:
        assert math.isinf(q.dof)


@given(quantities)
def test_shares_add_up_and_fall(q: Quantity) -> None:
    shares = [share for _, share in q.shares()]
    assert shares == sorted(shares, reverse=True)
    assert not shares or sum(shares) == pytest.approx(1.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30))
def test_repeats_are_their_mean_with_their_scatter(readings: list[float]) -> None:
    q = repeats(readings, "V", "scatter")
    assert q.value == pytest.approx(mean(readings), abs=1e-9)
    assert q.u == pytest.approx(stdev(readings) / math.sqrt(len(readings)), rel=1e-6, abs=1e-9)
    assert q.u == 0.0 or q.dof == pytest.approx(len(readings) - 1)


@given(st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=20), st.sampled_from([1e6, 1e9]))
def test_a_large_common_part_costs_no_digits(readings: list[float], offset: float) -> None:
    rounded = [reading + offset for reading in readings]
    assert mean_and_deviation(rounded)[1] == pytest.approx(stdev(rounded), rel=1e-9, abs=1e-12)


@given(st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_a_covariance_comes_back_from_its_quantities(size: int, seed: int) -> None:
    half = np.random.default_rng(seed).normal(size=(size, max(1, size - 1)))  # singular on purpose for size > 1
    matrix = half @ half.T
    joint = from_covariance([0.0] * size, matrix.tolist(), ["V"] * size, "fit", dof=7)
    for i, a in enumerate(joint):
        assert a.u == pytest.approx(math.sqrt(matrix[i, i]), rel=1e-6)
        assert a.dof == pytest.approx(7.0)
        for j, b in enumerate(joint):
            if i != j:
                assert covariance(a, b) == pytest.approx(matrix[i, j], rel=1e-6, abs=1e-9)


def test_parts_of_one_evaluation_count_once() -> None:
    joint = {"fit#1": Contribution(u=1.0, dof=4), "fit#2": Contribution(u=1.0, dof=4)}
    apart = {"one": Contribution(u=1.0, dof=4), "two": Contribution(u=1.0, dof=4)}
    assert effective_dof(joint) == pytest.approx(4.0)
    assert effective_dof(apart) == pytest.approx(8.0)
    q = Quantity(value=0.0, unit="V", budget={**joint, "meter": Contribution(u=1.0, remedy="a better meter")})
    assert q.shares() == [("fit", pytest.approx(2 / 3)), ("meter", pytest.approx(1 / 3))]
    assert q.remedy("meter") == "a better meter" and q.remedy("fit") == ""


def test_shared_signs_survive() -> None:
    gain = rectangular(1.0, 0.01, "", "gain")
    a = propagate(lambda g: 10.0 * g, "V", g=gain)
    b = propagate(lambda g: -10.0 * g, "V", g=gain)
    assert covariance(a, b) == pytest.approx(-a.u * b.u)
    assert combine(((1.0, a), (1.0, b)), "V").exact
    ratio = propagate(lambda a, b: a / b, "1", a=a, b=shifted(b, noise=normal(0.0, 0.1, "V", "noise")))
    assert ratio.u == pytest.approx(0.01, rel=0.02), "the gain cancels in the ratio, the noise stays"


def _logarithm(x: float) -> float:
    return math.log(x)


def _cosine(x: float) -> float:
    return math.cos(x)


def test_a_derivative_is_taken_at_the_point_and_not_over_the_width() -> None:
    wide = propagate(_logarithm, "1", x=rectangular(0.6, 0.5, "1", "x"))
    assert abs(wide.budget["x"].u) == pytest.approx(0.5 / math.sqrt(3.0) / 0.6, rel=1e-5)
    cube = propagate(lambda x: x**3, "m3", x=normal(0.0, 0.1, "m", "x"))
    assert abs(cube.budget["x"].u) < 1e-8


@given(st.floats(0.1, 10.0), st.integers(-15, -1), st.sampled_from([-1, 1]))
def test_no_uncertainty_is_too_small_for_a_derivative(value: float, power: int, sign: int) -> None:
    u = value * 10.0**power
    found = propagate(lambda x: 1.0 / x, "1/m", x=normal(sign * value, u, "m", "x"))
    assert found.budget["x"].u == pytest.approx(-u / value**2, rel=1e-5 + 3.0 * (u / value) ** 2)
    assert BEND not in str(found.budget) or power > -3 or power < -10, "or rounding is most of it"


@given(st.floats(1e-12, 1e3), st.floats(-5.0, 5.0))
def test_an_input_of_value_0_has_a_derivative(u: float, slope: float) -> None:
    found = propagate(lambda x, y: slope * x + y, "V", x=normal(0.0, u, "V", "x"), y=exact(1.0, "V"))
    assert found.u == pytest.approx(abs(slope) * u, rel=1e-4)


def test_what_bends_is_told_with_what_would_help() -> None:
    x, y = normal(10.0, 2.0, "V", "meter", 4, "a better meter"), normal(5.0, 0.01, "V", "other")
    found = propagate(lambda x, y: x * x / y, "W", x=x, y=y)
    bend = found.budget[f"{BEND} meter"]
    assert bend.u == pytest.approx(math.sqrt(2.0) * 2.0**2 / 5.0, rel=0.01), "the standard deviation of its square"
    assert (bend.remedy, bend.dof) == ("a better meter", 4)
    assert BEND not in str(propagate(lambda x, y: x + y, "V", x=x, y=y).budget)
    assert BEND not in str(propagate(lambda x, y: x * x / y, "W", x=normal(10.0, 0.1, "V", "meter"), y=y).budget)


def test_a_summit_has_no_slope_and_still_a_width() -> None:
    found = propagate(_cosine, "1", x=normal(0.0, 0.1, "rad", "x"))
    assert set(found.budget) == {f"{BEND} x"}
    assert found.u == pytest.approx(0.1**2 / math.sqrt(2.0), rel=0.01), "the standard deviation of half its square"
    assert not propagate(lambda x: 0.0 * x + 1.0, "1", x=normal(0.0, 0.1, "rad", "x")).budget


def test_what_cancels_does_not_bend() -> None:
    gain = rectangular(1.0, 0.4, "1", "gain")
    hot, cold = (propagate(lambda g, ohm=ohm: ohm * g, "ohm", g=gain) for ohm in (4.22, 3.42))
    assert propagate(lambda a, b: a / b, "1", a=hot, b=cold).u < 1e-6


JAGGED_ONES = {
    "a kink": lambda x, c: max(0.0, x - c),
    "a clip": lambda x, c: min(max(x, c - 0.1), c + 0.1),
    "a step": lambda x, c: 3.0 * (x > c),
    "a way with a step": lambda x, c: x + 50.0 * (x > c),
    "a spike": lambda x, c: 7.0 * (abs(x - c) < 1e-4),
    "the grid of a converter": lambda x, c: round((x - c) / 0.3) * 0.3,
    "noise": lambda x, _: x + 1e-3 * math.sin(1e9 * x),
    "nothing but noise": lambda x, _: math.sin(1e9 * x),
    "a staircase of a pole": lambda x, c: math.floor(20.0 / (x + 3.0 + c)),
}


@given(st.sampled_from(sorted(JAGGED_ONES)), st.floats(-1.5, 1.5), st.floats(-2e-3, 2e-3), st.floats(1e-3, 1.0))
def test_a_jagged_function_is_as_uncertain_as_its_way_and_at_most_twice(
    kind: str, value: float, near: float, u: float
) -> None:
    def function(x: float) -> float:
        return float(JAGGED_ONES[kind](x, value + near * u))

    found = propagate(function, "1", x=normal(value, u, "1", "x"))
    high, low, centre = function(value + u), function(value - u), function(value)
    way, curve = abs(high - low) / 2.0, abs((high + low) / 2.0 - centre)
    assert 0.99 * way <= found.u <= 2.0 * math.hypot(way, curve) + 1e-12


def test_inputs_without_width_have_no_budget() -> None:
    assert rectangular(1.0, 0.0, "V", "x").exact
    assert normal(1.0, 0.0, "V", "x").budget == {}
    assert exact(11.0, "1").exact
    assert propagate(lambda a: a * a, "1", a=exact(3.0, "1")).value == 9.0


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_number_that_is_none_is_refused(value: float) -> None:
    with pytest.raises(MeasurementError, match="expected a finite number"):
        exact(value, "V")
    with pytest.raises(MeasurementError, match="meter: expected a finite uncertainty"):
        normal(1.0, value, "V", "meter")
    with pytest.raises(MeasurementError, match="degrees of freedom above 0"):
        normal(1.0, 1.0, "V", "meter", dof=0)


def test_one_reading_has_no_scatter() -> None:
    with pytest.raises(MeasurementError, match="at least 2 readings, found 1"):
        repeats([1.0], "V", "x")


def test_it_reads_as_a_person_writes_it() -> None:
    assert str(normal(0.51234567, 0.0123, "N m/rad", "x")) == "0.51235 N m/rad (u = 0.012)"
