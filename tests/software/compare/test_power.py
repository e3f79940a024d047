"""What a comparison would have seen."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.compare.baseline import level
from harness.compare.comparable import ComparableValue
from harness.compare.difference import SCATTER, Terms, difference_from, seen_beyond
from harness.nouns.quantity import Contribution, Quantity, exact
from harness.nouns.results import Detect
from tests.software.compare.power import power, smallest_seen
from tests.software.compare.test_baseline import run
from tests.software.compare.test_difference import NAME


def at(tail: float) -> Terms:
    """Terms with one quantity, whose limit has this tail on either side."""
    return Terms(planned=1, difference_risk=2.0 * tail)


def gap(scatter_u: float, dof: float, fixed_u: float = 0.0) -> Quantity:
    budget = {f"{SCATTER}#1": Contribution(u=scatter_u, dof=dof)} if scatter_u else {}
    if fixed_u:
        budget["meter"] = Contribution(u=fixed_u)
    return Quantity(value=0.0, unit="V", budget=budget)


@given(st.sampled_from([4.0, 7.0, 30.0]), st.floats(0.001, 0.2), st.floats(0.0, 12.0))
def test_alone_it_is_the_power_of_students_test(dof: float, tail: float, shift: float) -> None:
    from scipy.special import nctdtr, stdtrit

    limit = float(stdtrit(dof, 1.0 - tail))
    below = float(nctdtr(dof, shift, -limit))
    exact_power = 1.0 - float(nctdtr(dof, shift, limit)) + (0.0 if math.isnan(below) else below)
    assert power(gap(1.0, dof), shift, at(tail)) == pytest.approx(exact_power, abs=0.002)


def test_without_a_shift_it_is_the_risk() -> None:
    assert power(gap(1.0, 6.0), 0.0, at(0.01)) == pytest.approx(0.02, rel=0.05)
    assert power(gap(0.0, 6.0, 1.0), 0.0, at(0.01)) == pytest.approx(0.02, rel=1e-6)
    assert power(gap(1.0, 6.0, 1.0), 0.0, at(0.01)) < 0.02  # a safe factor where both are mixed


@given(st.floats(0.0, 10.0), st.floats(0.1, 3.0), st.floats(0.0, 3.0))
def test_it_grows_with_the_shift_either_way(shift: float, more: float, fixed_u: float) -> None:
    here = gap(1.0, 6.0, fixed_u)
    assert power(here, shift + more, at(0.001)) > power(here, shift, at(0.001))
    assert power(here, -shift, at(0.001)) == pytest.approx(power(here, shift, at(0.001)), abs=1e-12)


@given(st.floats(0.5, 0.99))
def test_the_smallest_shift_seen_is_seen_that_often(chance: float) -> None:
    here = gap(1.0, 7.0, 0.5)
    assert power(here, smallest_seen(here, at(0.001), chance), at(0.001)) == pytest.approx(chance, abs=1e-4)
    assert smallest_seen(exact(0.0, "V"), at(0.001)) == 0.0


@given(st.floats(0.5, 20.0), st.floats(0.5, 20.0))
def test_what_a_margin_lets_through_is_not_called_different(shift: float, margin: float) -> None:
    here = gap(1.0, 7.0)
    assert power(here, shift, at(0.01), margin) <= power(here, shift, at(0.01)) + 1e-12
    # Far beyond what could be seen, the margin is all that decides: off by just it, all but the equivalence risk.
    far = gap(0.1, 7.0)
    assert power(far, 20.0, at(0.01), 20.0) == pytest.approx(0.95, abs=0.005)


def test_values_without_any_uncertainty_show_every_shift() -> None:
    none = level(NAME, [ComparableValue(lasting=Quantity(value=1.0, unit="V")) for _ in range(6)], list("abcdef"))
    difference = difference_from(none, [ComparableValue(lasting=Quantity(value=1.1, unit="V"))], ["one"],
                   Terms(planned=1, margins={NAME: Detect(absolute=0.05)}))  # fmt: skip
    assert difference.gap is not None and difference.gap.u == 0.0
    assert power(difference.gap, 0.1, at(0.01)) == 1.0 and power(difference.gap, 0.0, at(0.01)) == 0.0
    assert math.isclose(difference.gap.value, 0.1)


def test_the_price_of_few_mountings_is_the_one_that_is_documented():
    """The table in RESULTS.md beside this file, 44 quantities."""
    found = [seen_beyond(mountings, Terms(planned=44)) for mountings in (5, 6, 8, 10, 15, 30)]
    assert found == pytest.approx([13.8, 10.2, 7.3, 6.2, 5.1, 4.3], abs=0.05)
    assert seen_beyond(1, Terms(planned=44)) == math.inf


@given(st.integers(5, 40), st.integers(1, 100))
def test_what_lies_beyond_it_is_called_different(mountings, planned):
    values = [run(1.0 + 0.01 * (-1) ** k) for k in range(mountings)]
    base = level(NAME, values, [str(k) for k in range(mountings)])
    limit = seen_beyond(mountings, Terms(planned=planned)) * base.scatter
    for factor, word in ((0.999, "no difference seen"), (1.001, "different")):
        off = difference_from(base, [run(base.value + factor * limit)], ["new"], Terms(planned=planned))
        assert off.finding.value == word
