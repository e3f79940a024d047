"""Fields from shares of time: a space vector that a zero sequence does not move, against sines that are added up."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.checks.conduct.pattern import WHOLE, fields
from harness.nouns.contract import FULL_TURN

ASKED = 0.2
SHIFTS = (0.0, -math.tau / 3.0, math.tau / 3.0)


def rows(
    first: int, *, gains=(1.0, 1.0, 1.0), order=(0, 1, 2), zero: float = 0.0, turned: float = 0.0, noise: float = 0.0
) -> list[list[float]]:
    """What the pins would say of three fields a third of a turn apart."""
    dice = random.Random(first)
    made = []
    for angle in (first, first + FULL_TURN // 3, first - FULL_TURN // 3):
        at = angle / FULL_TURN * math.tau + turned
        sines = [math.cos(at + shift) for shift in SHIFTS]
        for _ in range(6):
            shares = [0.5 + 0.5 * ASKED * gains[k] * sines[order[k]] + zero * math.cos(3.0 * at) for k in range(3)]
            made.append([float(angle), 1.0, *((share + dice.gauss(0.0, noise)) * WHOLE for share in shares)])
    return made


@given(
    first=st.integers(-FULL_TURN, FULL_TURN),
    gain=st.floats(0.1, 2.0),
    zero=st.floats(-0.1, 0.1),
    turned=st.floats(-0.4, 0.4),
)
def test_amplitude_and_error_are_those_that_were_put_in_and_no_zero_sequence_moves_them(first, gain, zero, turned):
    found = fields(rows(first, gains=(gain,) * 3, zero=zero, turned=turned), ASKED)
    assert found.amplitude == pytest.approx(gain * math.cos(turned), rel=1e-3)
    assert found.error == pytest.approx(abs(math.tan(turned)), abs=2e-3)
    assert found.u == pytest.approx(0.0, abs=1e-9)


@given(first=st.integers(0, FULL_TURN))
def test_exchanged_phases_and_a_doubled_one_are_far_from_what_was_asked(first):
    assert fields(rows(first, order=(0, 2, 1)), ASKED).error > 0.9
    assert fields(rows(first, order=(1, 2, 0)), ASKED).error > 0.9
    doubled = fields(rows(first, gains=(1.0, 2.0, 1.0)), ASKED)
    assert doubled.error == pytest.approx(0.25, abs=2e-3)
    assert doubled.amplitude == pytest.approx(4.0 / 3.0, rel=1e-3)


def test_the_uncertainty_is_the_scatter_of_the_groups():
    """Each part of a vector has the variance 2/3 of a share's, over 6 readings, in units of half an amplitude."""
    noise = 0.01
    us = [fields(rows(first, noise=noise), ASKED).u for first in range(200)]
    expected = math.sqrt(2.0 / 3.0) * noise / 0.5 / math.sqrt(6.0)
    assert math.sqrt(sum(u**2 for u in us) / len(us)) == pytest.approx(expected, rel=0.05)


def test_fewer_than_three_fields_are_said_to_be_too_few():
    with pytest.raises(MeasurementError, match="fewer than three fields"):
        fields(rows(0)[:12], ASKED)


def test_no_field_at_all_is_an_error_of_the_whole():
    assert fields(rows(0, gains=(0.0, 0.0, 0.0)), ASKED).error == 1.0
