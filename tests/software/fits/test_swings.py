"""Turning points, decay, onset and lag of a swinging shaft, on made-up records and on a small simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.fits.swings import (
    Swings,
    decay_per_half_cycle,
    demand_lag,
    find_onset,
    find_swings,
    turning_indices,
    turning_point,
)
from tests.examples import examples


def swing(t: np.ndarray, w: float, d: float, stick: float, start: float, rest: float = 0.0) -> np.ndarray:
    """Damped cosines about moving centres: written here for itself, not taken from the code under test."""
    wd = w / math.sqrt(1 + (d / math.pi) ** 2)
    y = np.empty_like(t)
    point, begin = start, 0.0
    while True:
        away = point - rest
        if abs(away) <= stick:
            y[t >= begin] = point
            return y
        centre = rest + math.copysign(stick, away)
        phase = wd * (t - begin)
        part = (t >= begin) & (phase <= math.pi)
        damp = d / math.pi
        y[part] = centre + (point - centre) * np.exp(-damp * phase[part]) * (
            np.cos(phase[part]) + damp * np.sin(phase[part])
        )
        point = centre - (point - centre) * math.exp(-d)
        begin += math.pi / wd


T = np.arange(0.0, 0.9, 1e-3)


@examples(40)
@given(
    w=st.floats(35.0, 70.0), d=st.floats(0.02, 0.25), stick=st.floats(0.5e-3, 5e-3), sense=st.sampled_from([-1.0, 1.0])
)
def test_frequency_and_first_turn_without_noise(w: float, d: float, stick: float, sense: float) -> None:
    found = find_swings(T, swing(T, w, d, stick, -0.06 * sense))
    damped = w / math.sqrt(1 + (d / math.pi) ** 2)
    assert found.frequency_rad_s == pytest.approx(damped, rel=2e-3)
    first = sense * (-stick + (0.06 - stick) * math.exp(-d))
    assert found.angles_rad[0] == pytest.approx(first, abs=5e-5)


def test_decay_is_told_from_friction() -> None:
    """A plain damped sine would give 0.26 here: friction passes for damping."""
    random = np.random.default_rng(1)
    records = [
        find_swings(T, swing(T, 52.0, 0.10, 3.6e-3, -size) + random.normal(0, 4e-4, T.size))
        for size in np.linspace(0.054, 0.066, 10)
    ]
    decay, stick = decay_per_half_cycle(records, "scatter")
    assert abs(decay.value - 0.10) < 3.0 * decay.u
    assert decay.u < 0.02
    assert abs(stick.value - 3.6e-3) < 4.0 * stick.u
    assert decay.dof == 9


def test_jackknife_covers() -> None:
    """Over many noisy staircases the scatter of the decay is what its uncertainty says."""
    random = np.random.default_rng(2)
    z = []
    clean = [swing(T, 52.0, 0.08, 3.0e-3, -size) for size in np.linspace(0.054, 0.066, 10)]
    for _ in range(30):
        records = [find_swings(T, y + random.normal(0, 4e-4, T.size)) for y in clean]
        decay, _ = decay_per_half_cycle(records, "scatter")
        z.append((decay.value - 0.08) / decay.u)
    assert 0.65 < math.sqrt(float(np.mean(np.square(z)))) < 1.6


def test_growing_swings_have_a_negative_decay() -> None:
    points = [0.0, 0.05, -0.001, 0.053, -0.006]
    records = [
        Swings(instants_s=np.arange(5.0), angles_rad=np.array(points) * (1 + 0.1 * k), stops=False) for k in range(4)
    ]
    assert decay_per_half_cycle(records, "s")[0].value < 0.0


def test_too_few_swings_say_so() -> None:
    with pytest.raises(MeasurementError, match="0 turning points after a step, 2 are needed"):
        find_swings(T, np.minimum(T, 0.05))
    with pytest.raises(MeasurementError, match="0 steps with two swings above 10 mrad"):
        decay_per_half_cycle([], "scatter")
    with pytest.raises(MeasurementError, match="too short to smooth"):
        find_swings(T[:5], T[:5])


def test_a_turning_point_is_not_pulled_by_friction() -> None:
    """Curvature differs on both sides; a parabola over the same samples is 0.3 ms off."""
    t = np.arange(-0.03, 0.03, 1e-3) + 0.00037
    w = 52.0
    y = 0.047 - np.where(t < 0, 0.0506, 0.0434) * (1 - np.cos(w * t))
    instant, top = turning_point(t, y, 0.002, w)
    assert instant == pytest.approx(0.0, abs=2e-6)
    assert top == pytest.approx(0.047, abs=1e-7)
    near = np.abs(t) < 0.9 / w
    a, b, _ = np.polyfit(t[near], y[near], 2)
    assert abs(-b / (2 * a)) > 0.2e-3


@given(st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=60))
def test_turning_indices_alternate(values: list[float]) -> None:
    y = np.array(values)
    turns = turning_indices(y, 0.1, 0.2)
    assert turns == sorted(turns)
    heights = np.diff(y[turns]) if len(turns) > 1 else np.array([])
    assert np.all(np.abs(heights) >= 0.1)
    assert np.all(heights[1:] * heights[:-1] < 0)


@examples(30)
@given(late=st.floats(0.0, 4e-3), size=st.floats(0.03, 0.1), sense=st.sampled_from([-1.0, 1.0]))
def test_onset_is_found_where_it_is(late: float, size: float, sense: float) -> None:
    t = np.arange(-0.06, 0.022, 1e-3)
    phase = 52.0 * np.clip(t - late, 0.0, None)
    damp = 0.1 / math.pi
    y = 1.0 + sense * size * (1 - np.exp(-damp * phase) * (np.cos(phase) + damp * np.sin(phase)))
    found = find_onset(t, y, frequency_rad_s=52.0, decay=0.1, begin_s=0.0)
    assert found == pytest.approx(late, abs=1e-5)


def test_a_shaft_that_does_not_move_has_no_onset() -> None:
    t = np.arange(-0.06, 0.022, 1e-3)
    with pytest.raises(MeasurementError, match="did not move with the step"):
        find_onset(t, np.where(t > 0.021, 1.0, 0.0), frequency_rad_s=52.0, decay=0.1, begin_s=0.0)
    with pytest.raises(MeasurementError, match="samples before and after a set-point change"):
        find_onset(t[-12:], t[-12:], frequency_rad_s=52.0, decay=0.1, begin_s=t[-10])


@pytest.mark.parametrize("late", [0, 1, 2, 5])
def test_lag_of_a_demand_in_whole_passes(late: int) -> None:
    random = np.random.default_rng(4)
    angle = swing(T, 52.0, 0.1, 3e-3, -0.06) + random.normal(0, 4e-4, T.size)
    demand = -4.9 * np.roll(angle, late)
    demand[:late] = np.nan
    assert demand_lag(T, angle, demand, longest_s=8e-3) == pytest.approx(late * 1e-3, abs=1e-9)


def test_a_clipped_record_has_no_lag() -> None:
    with pytest.raises(MeasurementError, match="fewer than 20 samples inside the clip"):
        demand_lag(T, T, np.full(T.size, np.nan), longest_s=5e-3)
