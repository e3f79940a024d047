"""What cogging does to swings, seen by integrating them; and what stands for a motor whose cogging nobody states."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from harness.corrections.cogging import PERIODS_PER_POLE_PAIR, Cogging, cogging_of
from harness.rigfile import loads
from tests.examples import examples

TEXT = (Path(__file__).parents[3] / "rigs_demo" / "rigs" / "sluice.toml").read_text(encoding="utf-8")
SPEC = loads(TEXT.encode(), "rig.toml")


def frequency(shift_rad: float, periods: int, phase_rad: float, swing_rad: float) -> float:
    """Of a swing of unit inertia and stiffness, with cogging; rad/s, by the time of one whole swing."""

    def motion(_: float, state: NDArray[np.float64]) -> list[float]:
        angle, speed = state
        return [speed, -angle - shift_rad * math.sin(periods * angle + phase_rad)]

    def speed(_: float, state: NDArray[np.float64]) -> float:
        return float(state[1])

    found = solve_ivp(motion, (0.0, 9.0), [swing_rad, 0.0], events=speed, rtol=1e-8, atol=1e-11)
    return math.tau / float(next(at for at in found.t_events[0] if at > 5.0))


@examples(8)
@given(periods=st.integers(40, 180), swing_rad=st.floats(0.03, 0.08))
def test_the_frequency_scatters_with_the_place_as_the_describing_function_has_it(periods: int, swing_rad: float):
    """Over all phases of a period: within the bound."""
    cogging = Cogging(motor="leaf", shift_rad=1e-3, clip_share=0.0, field_share=0.0, periods=periods)
    u = cogging.frequency_share_u(swing_rad)
    phases = np.linspace(0.0, math.tau, 12, endpoint=False)
    off = [frequency(1e-3, periods, float(phase), swing_rad) - 1.0 for phase in phases]
    assert float(np.std(off)) < 1.15 * u
    assert max(abs(each) for each in off) < 1.4 * math.sqrt(2.0) * u


def test_the_scatter_of_the_frequency_is_about_what_is_said() -> None:
    """Of a usual motor; a bound that is far too wide would be no budget either."""
    cogging = Cogging(motor="leaf", shift_rad=1e-3, clip_share=0.0, field_share=0.0, periods=120)
    scatters = []
    for swing_rad in np.linspace(0.045, 0.066, 5):
        phases = np.linspace(0.0, math.tau, 12, endpoint=False)
        off = [frequency(1e-3, 120, float(phase), float(swing_rad)) for phase in phases]
        scatters.append(float(np.std(off)) / cogging.frequency_share_u(float(swing_rad)))
    assert 0.5 < math.sqrt(float(np.mean(np.square(scatters)))) < 1.1


def test_stated_cogging_is_taken_at_its_upper_end() -> None:
    """0.6 mN m and 40 % more, over 1.5 p psi a V / (2 R) of the leaf's rig file, by hand."""
    cogging, entry = cogging_of(SPEC, "leaf"), SPEC.motor["leaf"]
    assert entry.flux_linkage_v_s is not None and SPEC.firmware.gain_per_rad is not None
    per_amplitude = 1.5 * entry.pole_pairs * entry.flux_linkage_v_s.value
    per_amplitude *= SPEC.supply.voltage_v.value / 2.0 / entry.resistance_ohm.value
    assert cogging.field_share * 0.6 * per_amplitude == pytest.approx(0.84e-3)
    assert cogging.shift_rad * SPEC.firmware.gain_per_rad.value * per_amplitude == pytest.approx(0.84e-3)
    assert cogging.periods == 120


def test_a_motor_of_which_nothing_is_stated_may_cog_as_a_usual_one_in_few_periods() -> None:
    spec = loads(re.sub(r"(?m)^cogging_.*\n", "", TEXT).encode(), "rig.toml")
    cogging, stated = cogging_of(spec, "leaf"), cogging_of(SPEC, "leaf")
    assert cogging.periods == PERIODS_PER_POLE_PAIR * spec.motor["leaf"].pole_pairs
    # 1.5 % of a field of amplitude 0.6, over the loop's amplitude per rad and at its clip, by hand; few periods: twice.
    gain, limit = spec.firmware.gain_per_rad, spec.firmware.amplitude_limit
    assert gain is not None and limit is not None
    assert cogging.level_rad == pytest.approx(0.4 * 0.009 / gain.value)
    assert cogging.rise_share == pytest.approx(0.28 * 0.009 / limit.value)
    assert cogging.swinging_share == pytest.approx(2.0 * 0.26 * 0.015)
    assert cogging.decay(0.05) > stated.decay(0.05)
    assert cogging.frequency_share_u(0.05) > stated.frequency_share_u(0.05)
