"""Transition metrics: the same at any level, size, sense and sampling; and 0 is a level like any other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits import pulse

levels = st.floats(-50.0, 50.0)


def ringing(t: np.ndarray, zeta: float = 0.3, wn: float = 20.0) -> np.ndarray:
    wd = wn * math.sqrt(1.0 - zeta**2)
    return 1.0 - np.exp(-zeta * wn * t) * (np.cos(wd * t) + zeta * wn / wd * np.sin(wd * t))


T = np.arange(0.0, 1.5, 5e-4)


@given(levels, levels.filter(lambda a: abs(a) > 1e-2))
def test_level_size_and_sense_do_not_matter(initial: float, amplitude: float) -> None:
    final = initial + amplitude
    reference = pulse.transition(T, ringing(T), 0.0, 1.0)
    move = pulse.transition(T, initial + amplitude * ringing(T), initial, final)
    assert pulse.rise_time(move) == pytest.approx(pulse.rise_time(reference), rel=1e-6)
    assert pulse.settling_time(move) == pytest.approx(pulse.settling_time(reference), rel=1e-6)


@given(st.floats(1.0, 100.0))
def test_a_final_level_of_0_is_a_level(amplitude: float) -> None:
    move = pulse.transition(T, amplitude * (1.0 - ringing(T)), amplitude, 0.0)
    assert pulse.settling_time(move) == pytest.approx(pulse.settling_time(pulse.transition(T, ringing(T), 0.0, 1.0)))


@given(st.floats(-2.0, 5.0))
def test_times_shift_with_the_record(shift: float) -> None:
    move = pulse.transition(T + shift, ringing(T), 0.0, 1.0)
    here = pulse.transition(T, ringing(T), 0.0, 1.0)
    shifted = [instant + shift for instant in pulse.reference_instants(here)]
    assert pulse.reference_instants(move) == pytest.approx(shifted, abs=1e-9)
    assert pulse.settling_time(move) == pytest.approx(pulse.settling_time(here), abs=1e-9)


@given(st.floats(0.005, 0.2), st.floats(1.01, 3.0))
def test_a_wider_band_is_reached_no_later(band: float, wider: float) -> None:
    move = pulse.transition(T, ringing(T), 0.0, 1.0)
    assert pulse.settling_instant(move, band * wider) <= pulse.settling_instant(move, band)


def test_noise_about_a_level_does_not_count_as_a_crossing() -> None:
    noise = np.random.default_rng(1).normal(0.0, 0.05, T.size)
    late = np.concatenate((np.zeros(400), ringing(T)[:-400]))
    move = pulse.transition(T, late + noise, 0.0, 1.0)
    clean = pulse.transition(T, late, 0.0, 1.0)
    assert pulse.rise_time(move) == pytest.approx(pulse.rise_time(clean), rel=0.2)


def test_always_inside_the_band_is_settled_from_the_start() -> None:
    move = pulse.transition([0.0, 1.0, 2.0], [0.99, 1.0, 1.01], 0.0, 1.0)
    assert pulse.settling_instant(move) == 0.0


def test_the_band_follows_the_noise() -> None:
    assert pulse.band_for(0.06, 4e-4) == pytest.approx(0.02)
    assert pulse.band_for(-0.06, 8e-4) == pytest.approx(0.04)


@pytest.mark.parametrize(
    ("t", "y", "initial", "final", "match"),
    [
        ([0, 1], [0, 1], 0, 1, "at least 3 samples"),
        ([0, 1, 1], [0, 1, 1], 0, 1, "rising times"),
        ([0, 1, 2], [0, 1, math.nan], 0, 1, "finite samples"),
        ([0, 1, 2], [0, 1, 1], 1, 1, "two different levels"),
        ([0, 1, 2], [0, 1, 1], 0, math.inf, "two different levels"),
    ],
)
def test_what_is_no_transition(t: list[float], y: list[float], initial: float, final: float, match: str) -> None:
    with pytest.raises(MeasurementError, match=match):
        pulse.transition(t, y, initial, final)


def test_a_record_that_ends_too_soon() -> None:
    short = pulse.transition(T[:300], ringing(T)[:300], 0.0, 1.0)
    with pytest.raises(MeasurementError, match="ends outside"):
        pulse.settling_time(short)
    with pytest.raises(MeasurementError, match="does not cross 50%"):
        pulse.rise_time(pulse.transition(T[:50], ringing(T)[:50], 0.0, 1.0))
