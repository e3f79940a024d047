"""Thermal networks against closed forms and an independent integration."""

from __future__ import annotations

from dataclasses import replace
from math import cos, exp, tau

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from rigs_demo.plant import drawing
from rigs_demo.plant.parameters import ThermalParameters
from rigs_demo.plant.thermal import DriverHeat, MotorHeat
from rigs_demo.truth.heat import CURRENT_A, driver_rise_k, modes
from tests.examples import examples
from tests.software.plant.rigs import STIFF_BUS, S, duties, powered, rig

LEAF = drawing.load("sluice").motors["leaf"]
POWERS = st.tuples(*[st.floats(0.0, 5.0)] * 3)


def matrix(thermal: ThermalParameters) -> tuple[np.ndarray, np.ndarray]:
    """(A, B) of d rise/dt = A rise + B power for windings A, B, C and the housing."""
    g = 1.0 / (3.0 * thermal.winding_to_housing_k_w)
    conduct = np.diag([g, g, g, 3.0 * g + 1.0 / thermal.housing_to_ambient_k_w])
    conduct[:3, 3] = conduct[3, :3] = -g
    capacity = np.array([thermal.winding_capacity_j_k / 3.0] * 3 + [thermal.housing_capacity_j_k])
    return -conduct / capacity[:, None], np.diag(1.0 / capacity)


@examples(40)
@given(POWERS, st.floats(0.01, 3000.0))
def test_one_step_is_the_matrix_exponential(power: tuple[float, float, float], duration_s: float) -> None:
    heat = MotorHeat(LEAF.thermal, 20.0)
    heat.advance(100.0, (1.0, 0.0, 2.0))
    rise = np.array(heat.state) - 20.0
    a, b = matrix(LEAF.thermal)
    end = -np.linalg.solve(a, b @ np.array([*power, 0.0]))
    expected = end + expm(a * duration_s) @ (rise - end)
    assert np.array(heat.after(duration_s, power)) - 20.0 == pytest.approx(expected, abs=1e-8)


@examples(40)
@given(POWERS, st.floats(0.01, 500.0), st.floats(0.01, 500.0))
def test_two_steps_are_one(power: tuple[float, float, float], first_s: float, second_s: float) -> None:
    once, twice = MotorHeat(LEAF.thermal, 20.0), MotorHeat(LEAF.thermal, 20.0)
    once.advance(first_s + second_s, power)
    twice.advance(first_s, power)
    twice.advance(second_s, power)
    assert once.state == pytest.approx(twice.state, abs=1e-9)


def test_the_driver_rises_as_one_node_does() -> None:
    heat = DriverHeat(20.0, 2.0, 25.0)
    heat.advance(40.0, 0.5)
    assert heat.state == pytest.approx(25.0 + 10.0 * (1.0 - exp(-1.0)), rel=1e-12)


def test_ten_minutes_of_holding_agree_with_an_integration_of_resistances_that_warm() -> None:
    parameters = rig(driver=STIFF_BUS | {"dead_time_s": 0.0})
    motor, driver = parameters.motors["leaf"], parameters.driver
    plant = powered(parameters)
    field, level = tau / 4.0, 0.6
    duty = tuple(0.5 + 0.5 * level * cos(field - n * tau / 3.0) for n in range(3))
    duties(plant, 0, duty)  # type: ignore[arg-type]
    plant.advance_to(plant.time_ns + 600 * S)
    a, b = matrix(motor.thermal)
    room = parameters.room_c

    def slope(_: float, rise: np.ndarray) -> np.ndarray:
        ohm = motor.resistance_ohm * (235.0 + room + rise[:3]) / 255.0
        volts = np.array(duty) * 12.0
        total = ohm + driver.on_resistance_ohm
        neutral = (volts / total).sum() / (1.0 / total).sum()
        current = (volts - neutral) / total
        return np.asarray(a @ rise + b @ np.array([*(ohm * current**2), 0.0]))

    expected = solve_ivp(slope, (0.0, 600.0), np.zeros(4), rtol=1e-9, atol=1e-9).y[:, -1]
    assert expected[1] > 20.0
    assert np.array(plant.winding_temperatures_c(0)) - room == pytest.approx(expected, abs=0.02)


def test_true_rises_are_where_an_integration_ends() -> None:
    true = modes(LEAF)
    a, b = matrix(LEAF.thermal)

    def slope(_: float, rise: np.ndarray) -> np.ndarray:
        ohm = LEAF.resistance_ohm * (255.0 + rise[1:3]) / 255.0
        return np.asarray(a @ rise + b @ np.array([0.0, *(ohm * CURRENT_A**2), 0.0]))

    times = [100.0, 2000.0, 2100.0, 20000.0]
    found = solve_ivp(slope, (0.0, 20000.0), np.zeros(4), t_eval=times, rtol=1e-10, atol=1e-10).y[1]
    assert true.rise_k == pytest.approx(found[-1], rel=1e-6)
    slow = 100.0 / np.log((true.rise_k - found[1]) / (true.rise_k - found[2]))
    assert true.slow_s == pytest.approx(slow, rel=1e-4)
    # Once the fast modes have died, what is left of the slow one reaches back to rise less fast rise at the start.
    back = (true.rise_k - found[1]) * np.exp(times[1] / true.slow_s)
    assert true.fast_rise_k == pytest.approx(true.rise_k - back, rel=1e-3)
    assert 0.9 < true.fast_s / (LEAF.thermal.winding_to_housing_k_w * LEAF.thermal.winding_capacity_j_k) < 1.1


def test_the_driver_warms_on_the_plant_as_its_true_rise_says() -> None:
    parameters = replace(rig(driver=STIFF_BUS), room_c=20.0)
    plant = powered(parameters)
    motor = parameters.motors["leaf"]
    cold_ohm = motor.resistance_ohm + parameters.driver.on_resistance_ohm
    dead_v = 12.0 * parameters.driver.dead_time_s * parameters.driver.carrier_hz
    level = CURRENT_A * cold_ohm / 12.0 + dead_v / 12.0
    for _ in range(60):
        duties(plant, 0, (0.5, 0.5 + level, 0.5 - level))
        plant.advance_to(plant.time_ns + 5 * S)
        level *= CURRENT_A / plant.motors[0].phase_currents_a()[1]
    assert plant.driver_temperature_c() - 20.0 == pytest.approx(driver_rise_k(parameters.driver), rel=0.01)
