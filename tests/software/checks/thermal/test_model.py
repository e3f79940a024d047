"""The heating model against direct integration, limits that can be written down, and what a rig file leaves open."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from harness.checks.thermal import model as thermal
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec, load
from tests.examples import examples

SLUICE = Path(__file__).resolve().parents[4] / "rigs_demo" / "rigs" / "sluice.toml"

inputs = st.fixed_dictionaries({
    "resistance_ohm": st.floats(2.0, 8.0), "winding_k_w": st.floats(0.5, 4.0), "housing_k_w": st.floats(3.0, 12.0),
    "winding_j_k": st.floats(4.0, 20.0), "housing_j_k": st.floats(25.0, 90.0),
})  # fmt: skip


def integrated(times_s: list[float], p: dict[str, float], room_c: float) -> np.ndarray:
    """Rise of a heated winding by small steps, written down from the network once more."""
    r, c = 3.0 * p["winding_k_w"], p["winding_j_k"] / 3.0

    def change(_: float, t: np.ndarray) -> list[float]:
        winding_a, winding_b, winding_c, housing = t
        ohm = [p["resistance_ohm"] * (235.0 + room_c + rise) / 255.0 for rise in (winding_b, winding_c)]
        return [
            -(winding_a - housing) / r / c,
            (thermal.CURRENT_A**2 * ohm[0] - (winding_b - housing) / r) / c,
            (thermal.CURRENT_A**2 * ohm[1] - (winding_c - housing) / r) / c,
            ((winding_a + winding_b + winding_c - 3.0 * housing) / r - housing / p["housing_k_w"]) / p["housing_j_k"],
        ]

    found = solve_ivp(change, (0.0, times_s[-1]), [0.0] * 4, t_eval=times_s, rtol=1e-9, atol=1e-9, method="LSODA")
    return np.asarray(found.y[1])


@examples(15)
@given(p=inputs, room_c=st.floats(5.0, 35.0))
def test_modes_are_the_network_integrated(p: dict[str, float], room_c: float) -> None:
    heating = thermal.heating_modes(**p, room_c=room_c)
    times = [2.0, 20.0, 90.0, 400.0, 2000.0]
    assert [heating.at(t) for t in times] == pytest.approx(integrated(times, p, room_c), rel=1e-5, abs=1e-5)


@given(p=inputs)
def test_it_begins_cold_and_heats_one_way(p: dict[str, float]) -> None:
    heating = thermal.heating_modes(**p)
    assert heating.at(0.0) == pytest.approx(0.0, abs=1e-9)
    assert heating.times_s[0] > heating.fast_time_s > 0.0


def test_final_rise_with_and_without_the_feedback_of_copper() -> None:
    # Constant current ends at P R / (1 - P R / (k + 20)): by hand, for 2 x 9 + 3 x 2.4 K/W.
    plain = 0.55**2 * 5.6 * 25.2
    heating = thermal.heating_modes(5.6, 2.4, 9.0, 11.0, 48.0)
    assert heating.final_k == pytest.approx(plain / (1.0 - plain / 255.0))
    assert thermal.heating_modes(5.6, 2.4, 9.0, 11.0, 48.0, conductor_k=1e12).final_k == pytest.approx(plain, rel=1e-6)


def test_a_bond_half_lost_shows_in_the_fast_term() -> None:
    good, loose = (thermal.heating_modes(5.6, 2.4 * factor, 9.0, 11.0, 48.0) for factor in (1.0, 1.5))
    assert loose.fast_rise_k / good.fast_rise_k > 1.4
    assert loose.final_k / good.final_k < 1.2


def test_driver_rise_by_hand() -> None:
    assert thermal.driver_rise_k(20.0, 0.25, 0.0, 20e3) == pytest.approx(20.0 * 2.0 * 0.25 * 0.55**2)
    assert thermal.driver_rise_k(20.0, 0.0, 150e-9, 20e3) == pytest.approx(20.0 * 4.0 * 0.003 * 0.7 * 0.55)


def declared() -> Declared:
    return Declared(
        contract=1, name="x", version="1", pace="own", carrier_hz=20e3, loop_period_s=1e-3, counts_per_turn=32768,
        field_steps=240, max_static_duty=1.0, dead_time_s=150e-9, pole_pairs=10, offset_count=0, direction=1,
        sensor_path="bus", timers=(), amplitude_limit=0.4, current_limit_a=None, travel_limit_rad=None,
    )  # fmt: skip


def without(spec: RigSpec, **changes: object) -> RigSpec:
    motor = spec.motor["leaf"].model_copy(update=changes)
    return spec.model_copy(update={"motor": {**spec.motor, "leaf": motor}})


def test_expectations_name_what_they_came_from_and_what_they_need() -> None:
    spec = load(SLUICE)
    found = {entry.name: entry for entry in thermal.expect(spec, declared(), "leaf")}
    rise = found["leaf.thermal.rise"].quantity
    assert rise is not None
    assert rise.value == pytest.approx(thermal.heating_modes(4.6, 2.0, 7.4, 13.5, 58.0).final_k)
    assert set(rise.budget) >= {"motor.leaf.resistance_ohm", "motor.leaf.thermal.housing_to_ambient_k_w"}
    bare = {entry.name: entry for entry in thermal.expect(without(spec, thermal=None), declared(), "leaf")}
    assert "motor.leaf.thermal.winding_capacity_j_k" in bare["leaf.thermal.fast_time"].needs
    assert bare["leaf.thermal.fast_time"].quantity is None
    assert bare["leaf.thermal.resistance"].quantity is not None


def test_the_band_of_the_curve_ends_at_the_expected_rise() -> None:
    spec = load(SLUICE)
    rows = thermal.overlay("leaf.thermal.rise", [0.0, 1e5], {}, spec, declared(), "leaf")
    expected = next(e for e in thermal.expect(spec, declared(), "leaf") if e.name == "leaf.thermal.rise").quantity
    assert rows is not None
    assert expected is not None
    assert rows[0][0] == pytest.approx(0.0, abs=1e-9)
    assert rows[1][1] == pytest.approx(expected.u, rel=0.02)
    assert thermal.overlay("leaf.step.small", [0.0], {}, spec, declared(), "leaf") is None
