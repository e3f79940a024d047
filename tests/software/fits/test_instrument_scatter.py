"""Scatter and last digit of an instrument, from readings whose numbers are known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits.instrument_scatter import last_digit, scatter


def test_single_readings_have_no_scatter_to_judge_by() -> None:
    with pytest.raises(MeasurementError, match="groups of 2 readings, found none"):
        scatter([[0.1], [0.2]])


@given(st.integers(-6, 0), st.lists(st.integers(1, 99999), min_size=1, max_size=6))
def test_the_last_digit_is_the_finest_that_is_seen(place: int, steps: list[int]) -> None:
    readings = [float(f"{10 * step + 1}e{place}") for step in steps]
    assert last_digit(readings) == pytest.approx(10.0**place)
    assert last_digit([*readings, 0.0]) == pytest.approx(10.0**place)
    assert last_digit([0.0]) == 0.0
