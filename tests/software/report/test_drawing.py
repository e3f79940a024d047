"""Ticks, thinning and number formats: properties that hold for any data."""

from __future__ import annotations

import itertools
import math
import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.nouns.results import Curve
from harness.report import svg
from harness.report.numbers import decimals_for, in_unit, prefix_for, with_uncertainty
from harness.report.plots import curve_plot

finite = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)


@given(finite, finite)
def test_ticks_are_round_ordered_and_inside(first: float, other: float) -> None:
    low, high = sorted((first, other))
    assume(high - low > 1e-6 * max(abs(low), abs(high), 1e-3))
    marks = svg.ticks(low, high)
    room = 1e-6 * (high - low)
    assert 2 <= len(marks) <= 14
    assert all(low - room <= mark <= high + room for mark in marks)
    assert marks == sorted(marks)
    steps = [after - before for before, after in itertools.pairwise(marks)]
    mantissa = steps[0] / 10 ** math.floor(math.log10(steps[0]) + 1e-9)
    assert min(abs(mantissa - round_one) for round_one in (1.0, 2.0, 5.0, 10.0)) < 1e-3


@given(st.lists(st.tuples(finite, finite), max_size=4000), st.integers(min_value=4, max_value=500))
def test_thinning_keeps_extremes_and_order(points: list[tuple[float, float]], most: int) -> None:
    points = [(float(place), y) for place, (_, y) in enumerate(points)]
    kept = svg.decimate(points, most)
    assert len(kept) <= max(most, len(points) if len(points) <= most else 0)
    assert [x for x, _ in kept] == sorted(x for x, _ in kept)
    if points and most % 2 == 0:
        assert max(y for _, y in kept) == max(y for _, y in points)
        assert min(y for _, y in kept) == min(y for _, y in points)


@pytest.mark.parametrize(
    ("value", "half_width", "unit", "shown"),
    [
        (0.548, 0.012, "N m/rad", "0.548 ± 0.012 N m/rad"),
        (0.00123, 0.00004, "s", "1.230 ± 0.040 ms"),
        (-0.0021, 0.0002, "N m", "−2.10 ± 0.20 mN m"),
        (11.0, None, "1", "11"),
        (31.4, 1.2, "K", "31.4 ± 1.2 K"),
        (None, None, "K", "–"),
        (0.0, 0.0004, "rad", "0.00000 ± 0.00040 rad"),
    ],
)
def test_a_result_has_the_digits_its_uncertainty_supports(
    value: float | None, half_width: float | None, unit: str, shown: str
) -> None:
    assert with_uncertainty(value, half_width, unit) == shown


@given(st.floats(min_value=1e-12, max_value=1e12))
def test_two_digits_of_the_uncertainty_survive(u: float) -> None:
    digits = decimals_for(u)
    assert u >= 10 or 9.4 <= u * 10**digits < 100


@given(st.floats(min_value=1e-12, max_value=1e6))
def test_a_prefix_never_changes_the_quantity(size: float) -> None:
    factor, unit = prefix_for(size, "s")
    assert unit.endswith("s")
    assert factor in {1.0, 1e-3, 1e-6, 1e-9}


def test_absent_numbers_are_dashes() -> None:
    assert in_unit(None, "s") == "–"


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_each_series_has_a_line_and_a_band_of_its_own(count: int) -> None:
    names = ["up", "down", "up again"]
    curve = Curve(
        name="leaf.step.small", title="Small step", x_label="time", x_unit="s", y_label="share", y_unit="1",
        series={name: tuple((0.1 * k, float(number)) for k in range(9)) for number, name in enumerate(names)},
        models={
            name: tuple((0.1 * k, float(number), 0.2) for k in range(9)) for number, name in enumerate(names[:count])
        },
        joined=True,
    )  # fmt: skip
    drawn = str(curve_plot(curve, "p"))
    assert drawn.count('class="band"') == count
    assert len(re.findall(r'<path d="[^"]*" class="model"', drawn)) == count
    assert ("model, band 2 u" in drawn) == (count > 0)
    assert ("Each one" in drawn) == (count > 1)
