"""What a sweep is smoothed by, and what sweeps there and back share."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.fits.field_fit import Sweep, common

STEP_S = 4e-3
NAMES = ("field_rad", "shaft_rad", "speed_rad_s", "acceleration_rad_s2")


@given(
    frequency=st.floats(20.0, 70.0),
    phase=st.floats(0.0, 6.28),
    inertia=st.floats(0.0, 0.005),
    damping=st.floats(0.0, 0.05),
    rows=st.integers(1, 6),
)
def test_a_smoothed_swing_still_obeys_its_equation_of_motion(
    frequency: float, phase: float, inertia: float, damping: float, rows: int
) -> None:
    t_s = np.arange(200, dtype=np.float64) * STEP_S
    swing = 0.02 * np.sin(frequency * t_s + phase)
    speed = 1.2 + 0.02 * frequency * np.cos(frequency * t_s + phase)
    shaft = 1.2 * t_s + swing
    field = 11.0 * shaft + damping * speed - inertia * frequency**2 * swing
    sweep = Sweep(amplitude=0.6, t_s=np.asarray(t_s, dtype=np.float64), field_rad=field, shaft_rad=shaft)
    motion = sweep.smoothed(rows)
    assert len({getattr(motion, name).size for name in NAMES}) == 1
    left = motion.field_rad - 11.0 * motion.shaft_rad
    left = left - damping * motion.speed_rad_s - inertia * motion.acceleration_rad_s2
    # Of the inertia's share; parabolas through as many rows would miss a tenth of it.
    assert np.max(np.abs(left)) <= 0.02 * (inertia * frequency**2 * 0.02 + damping * 0.02 * frequency) + 1e-9


def test_sweeps_that_leave_over_the_same_are_not_independent() -> None:
    random = np.random.default_rng(2)
    there, back = np.linspace(-0.6, 0.6, 400), np.linspace(0.6, -0.6, 400)

    def cogging(place: np.ndarray) -> np.ndarray:
        return np.sin(30.0 * place)

    alike = common((there, back), (cogging(there), cogging(back)))
    apart = common((there, back), (random.normal(size=400), random.normal(size=400)))
    against = common((there, back), (cogging(there), -cogging(back)))
    assert alike == pytest.approx(1.0, abs=0.01)
    assert apart < 0.15
    assert against == 0.0
