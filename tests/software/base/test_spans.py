"""Spans of time: what a person may write, and that what is said can be read again."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import UsageError
from harness.base.spans import LONGEST_S, UNITS_S, in_words, span_of


@given(st.integers(1, 9_999_999), st.sampled_from("smh"))
def test_a_number_with_a_unit_is_so_many_of_it(number, unit):
    seconds = number * {"s": 1, "m": 60, "h": 3600}[unit]
    if seconds <= LONGEST_S:
        assert span_of(f"{number}{unit}") == seconds
    else:
        with pytest.raises(UsageError, match="at most 1000h"):
            span_of(f"{number}{unit}")


@pytest.mark.parametrize(
    "text",
    [
        *("", "10", "m", "0s", "-5m", "1 h", "10min", "1e3s", "nan", "infs", "1h30m", "\u0663m", "10m\n", "1d", "0.0h"),
        *("+1m", "x" * 999),
    ],
)  # fmt: skip
def test_anything_else_is_refused_in_one_line(text):
    with pytest.raises(UsageError, match="expected a time such as 90s, 10m or 1h") as error:
        span_of(text)
    assert "\n" not in str(error.value)
    assert len(str(error.value)) < 150


@given(st.text(max_size=12))
def test_no_text_gives_anything_but_a_time_or_that_error(text):
    try:
        seconds = span_of(text)
    except UsageError:
        return
    assert 0.0 < seconds <= LONGEST_S
    assert text[-1] in UNITS_S


@given(st.floats(0.0, 1e6))
def test_words_are_no_further_off_than_half_of_their_last_unit(seconds):
    total = 0.0
    for number, unit in zip(*[iter(in_words(seconds).split())] * 2, strict=True):
        total += float(number) * {"s": 1.0, "min": 60.0, "h": 3600.0}[unit]
    assert abs(total - seconds) <= (30.0 if seconds >= 99.5 else 0.5) + 1e-9
