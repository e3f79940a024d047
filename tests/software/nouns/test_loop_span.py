"""Where a loop was exercised, and where not: by a shaft whose way is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.nouns.loop_span import LoopSpan, not_exercised, span_of, together

TRAVEL_RAD = 2.4


@given(
    hang=st.floats(0.0, math.tau, exclude_max=True),
    low=st.floats(-3.0, 0.0),
    high=st.floats(0.0, 3.0),
    error=st.floats(-3.0, 3.0),
    turns=st.integers(-2, 2),
)
def test_the_way_of_a_shaft_is_told_whatever_whole_turns_its_sensor_adds(hang, low, high, error, turns):
    way = np.concatenate([np.linspace(0.0, low, 40), np.linspace(low, high, 40)])
    reading = (hang + way) % math.tau
    span = span_of(np.arange(80) * 1e-3, reading, reading + error + math.tau * turns, hang)
    assert (span.low_rad, span.high_rad) == pytest.approx((low, high), abs=1e-3)
    assert span.error_rad == pytest.approx(abs(error), abs=1e-3)
    assert span.lasted_s == pytest.approx(0.079)
    for place in (0.0, math.tau):
        if hang + low < place - 1e-6 and hang + high > place + 1e-6:
            assert span.across_zero
    if hang + low > 1e-6 and hang + high < math.tau - 1e-6:
        assert not span.across_zero


def span(**changes: float) -> LoopSpan:
    whole = {"low_rad": -0.5, "high_rad": 1.0, "error_rad": 0.3, "lasted_s": 2.0, "across_zero": False}
    return LoopSpan(**{**whole, **changes})  # type: ignore[arg-type]


def test_several_closings_are_one_way():
    assert together([span(), span(low_rad=-0.9, lasted_s=1.0, across_zero=True)]) == span(
        low_rad=-0.9, across_zero=True
    )


@pytest.mark.parametrize(
    ("spans", "line"),
    [
        ([], "leaf: its loop was not closed"),
        (
            [span()],
            "leaf: at count 0 of its sensor, beyond −0.50 and +1.00 rad from hanging, of 2.4 allowed, "
            "with an error above 0.30 rad, for longer than 2 s",
        ),
        (
            [span(across_zero=True, low_rad=-2.5, high_rad=2.4)],
            "leaf: with an error above 0.30 rad, for longer than 2 s",
        ),
        ([span(across_zero=True, low_rad=-2.5, high_rad=2.4, error_rad=3.15)], "leaf: for longer than 2 s"),
    ],
    ids=["never", "a part", "all of the travel", "all but long"],
)
def test_what_was_not_exercised_is_said(spans, line):
    assert not_exercised({"leaf": spans}, TRAVEL_RAD) == [line]
