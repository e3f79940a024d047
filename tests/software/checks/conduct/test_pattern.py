"""Fields from shares of time: a space vector that a zero sequence does not move, against sines that are added up."""

from __future__ import annotations

import math
import random
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.checks.conduct.pattern import WHOLE, fields
from harness.checks.conduct.stimulus import STOPS
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN

READ = 0.009
"""Standard uncertainty of a share of time, at 20 kHz by a clock of whole microseconds."""
SHIFTS = (0.0, -math.tau / 3.0, math.tau / 3.0)


def rows(
    first: int, *, gains=(1.0, 1.0, 1.0), order=(0, 1, 2), zero: float = 0.0, turned: float = 0.0, noise: float = 0.0
) -> list[list[float]]:
    """What the pins would say of fields from a third of a turn below to one above."""
    dice = random.Random(first)
    made = []
    for stop in range(STOPS):
        angle = first + (2 * stop - STOPS + 1) * FULL_TURN // (3 * (STOPS - 1))
        at = angle / FULL_TURN * math.tau + turned
        asked = 0.18 + 0.04 * dice.random()
        sines = [math.cos(at + shift) for shift in SHIFTS]
        shares = [0.5 + 0.5 * asked * gains[k] * sines[order[k]] + zero * math.cos(3.0 * at) for k in range(3)]
        read = [(share + dice.gauss(0.0, noise)) * WHOLE for share in shares]
        made.append([float(angle), asked * FULL_AMPLITUDE, 1.0, *read])
    return made


@given(
    first=st.integers(-FULL_TURN, FULL_TURN),
    gain=st.floats(0.1, 2.0),
    zero=st.floats(-0.1, 0.1),
    turned=st.floats(-math.pi, math.pi),
)
def test_amplitude_and_error_are_those_that_were_put_in_and_no_zero_sequence_moves_them(first, gain, zero, turned):
    found = fields(rows(first, gains=(gain,) * 3, zero=zero, turned=turned), READ)
    assert found.amplitude == pytest.approx(gain, rel=1e-3)
    assert found.error == pytest.approx(2.0 * math.sin(abs(turned) / 2.0), abs=2e-3)
    assert (found.amplitude_u, found.error_u) == pytest.approx((0.0, 0.0), abs=1e-9)


@given(first=st.integers(0, FULL_TURN))
def test_exchanged_phases_and_a_doubled_one_are_far_from_what_was_asked(first):
    assert fields(rows(first, order=(0, 2, 1)), READ).error > 0.9
    assert fields(rows(first, order=(1, 2, 0)), READ).error > 0.9
    doubled = fields(rows(first, gains=(1.0, 2.0, 1.0)), READ)
    assert doubled.error == pytest.approx(0.25, abs=2e-3)
    assert doubled.amplitude == pytest.approx(4.0 / 3.0, rel=1e-3)


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        ("B and C exchanged", {"order": (0, 2, 1)}),
        ("A and B exchanged", {"order": (1, 0, 2)}),
        ("A and C exchanged", {"order": (2, 1, 0)}),
        ("phase A is driven about G times as far as the others", {"gains": (2.0, 1.0, 1.0)}),
        ("phase B is driven about G times as far as the others", {"gains": (1.0, 2.0, 1.0)}),
        ("phase C is driven about G times as far as the others", {"gains": (1.0, 1.0, 2.0)}),
        ("phase A is driven about G times as far as the others", {"gains": (1.0, 2.0, 2.0)}),
        ("phase B is left where it was", {"gains": (1.0, 0.0, 1.0)}),
        ("phase C is left where it was", {"gains": (1.0, 1.0, 0.0)}),
        ("phase B alone is driven", {"gains": (0.0, 1.0, 0.0)}),
        ("turned by +34 degrees", {"turned": 0.6}),
        ("no field at all", {"gains": (0.0, 0.0, 0.0)}),
        ("", {"gains": (0.5, 0.5, 0.5), "zero": 0.1}),
    ],
)
def test_what_is_wrong_with_the_phases_is_said_and_seen_amid_the_readings_own_scatter(words, wrong):
    noise = 0.0 if "turned" in words or "no field" in words else READ
    for first in range(0, FULL_TURN, 1024):
        found = fields(rows(first, noise=noise, **wrong), READ)
        gain = re.search(r"\d\.\d", found.words)
        assert found.words == (words if gain is None else words.replace("G", gain[0]))
        if gain is not None:
            gains = wrong["gains"]
            odd = next(each for each in gains if gains.count(each) == 1)
            assert float(gain[0]) == pytest.approx(odd / sorted(gains)[1], rel=0.3)
        assert not words or found.error > 3.0 * found.error_u, found


def test_the_uncertainties_are_those_of_scatter_and_of_instants_in_whole_ticks():
    """Over many runs: the amplitude departs by its u, and an error that is none stays below some of its own."""
    for noise, ticks in ((0.01, 0), (0.0, 50)):
        all_found = []
        for first in range(0, 400 * 163, 163):
            made = rows(first, noise=noise)
            if ticks:  # edges at whole ticks of a period of 50 of them
                made = [
                    [*row[:3], *(WHOLE / ticks * round(share / WHOLE * ticks) for share in row[3:])] for row in made
                ]
            all_found.append(fields(made, READ))
        off = [(found.amplitude - 1.0) / found.amplitude_u for found in all_found]
        assert 0.7 < math.sqrt(sum(each**2 for each in off) / len(off)) < 1.2, (noise, ticks)
        assert sum(found.error < 4.0 * found.error_u for found in all_found) > 390


@given(first=st.integers(0, FULL_TURN))
def test_fields_that_are_wrong_at_some_angles_only_are_held_against_each(first: int) -> None:
    """Half of the turn reversed, as by a table whose sign is lost; and phases that stand still over a part of it."""
    sound = rows(first, noise=READ)
    reversed_half = [
        [*row[:3], *(WHOLE - share for share in row[3:])] if stop < STOPS // 2 else row
        for stop, row in enumerate(sound)
    ]
    found = fields(reversed_half, READ)
    assert found.error - 3.0 * found.error_u > 1.0
    still = [[*row[:3], *[WHOLE / 2.0] * 3] if stop in (7, 8, 9) else row for stop, row in enumerate(sound)]
    found = fields(still, READ)
    assert found.error - 3.0 * found.error_u > 0.35, "what must be seen"
    assert fields(sound, READ).error < 0.35


def test_fewer_than_three_fields_are_said_to_be_too_few():
    with pytest.raises(MeasurementError, match="fewer than three fields"):
        fields(rows(0)[:2] * 9, READ)


def test_no_field_at_all_is_an_error_of_the_whole():
    assert fields(rows(0, gains=(0.0, 0.0, 0.0)), READ).error == 1.0
