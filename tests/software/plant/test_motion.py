"""The whole driven motor against an independent integration at tight tolerance."""

from __future__ import annotations

from dataclasses import replace
from math import cos, sin, sqrt, tau

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from rigs_demo.plant.parameters import DriverParameters, MotorParameters
from tests.software.plant.rigs import MS, STIFF_BUS, duties, place, powered, rig

BUS_V = 12.0
PIECE_NS = MS // 2


def slopes(
    _: float, state: np.ndarray, duty: tuple[float, float, float], motor: MotorParameters, driver: DriverParameters,
    weight_n_m: float, hang_rad: float,
) -> list[float]:  # fmt: skip
    """Phase currents by flux linkages of three windings that see each other; no rotor frame anywhere."""
    i_abc, omega, theta = state[:3], state[3], state[4]
    electrical = motor.pole_pairs * theta + motor.electrical_offset_rad
    places = electrical - np.array([0.0, 1.0, 2.0]) * tau / 3.0
    mean_h, half_h = (
        (motor.inductance_d_h + motor.inductance_q_h) / 2.0,
        (motor.inductance_d_h - motor.inductance_q_h) / 2.0,
    )
    # A star's current sums to zero; inductance by angle is mean + half cos(2 place), times 2/3 in space vectors.
    sums = np.add.outer(places, places)
    differences = np.subtract.outer(places, places)
    inductance = 2.0 / 3.0 * (mean_h * np.cos(differences) + half_h * np.cos(sums))
    turning = -2.0 / 3.0 * half_h * 2.0 * np.sin(sums) * motor.pole_pairs * omega
    sign = i_abc / np.sqrt(i_abc**2 + driver.zero_crossing_a**2)
    dead = driver.dead_time_s * driver.carrier_hz
    ohm = motor.resistance_ohm + driver.on_resistance_ohm
    out_v = (np.array(duty) - dead * sign) * BUS_V - 2.0 * dead * driver.diode_drop_v * sign
    emf = -motor.flux_linkage_v_s * motor.pole_pairs * omega * np.sin(places)
    drive = out_v - out_v.mean() - ohm * i_abc - turning @ i_abc - emf
    d_i = np.linalg.lstsq(inductance, drive, rcond=1e-9)[0]
    pull = motor.pole_pairs * (
        -motor.flux_linkage_v_s * float(i_abc @ np.sin(places))
        - 2.0 / 3.0 * half_h * float(i_abc @ np.sin(sums) @ i_abc)
    )
    load = -weight_n_m * sin(theta - hang_rad) - motor.cogging_n_m * sin(
        motor.cogging_periods * theta + motor.cogging_phase_rad
    )
    accel = (pull + load - motor.viscous_friction_n_m_s * omega) / motor.inertia_kg_m2
    return [*d_i, accel, omega]


def test_a_motor_that_follows_a_turning_field_agrees_with_an_independent_integration() -> None:
    parameters = rig({"coulomb_friction_n_m": 0.0}, STIFF_BUS)
    parameters = replace(parameters, room_c=20.0)
    motor = replace(parameters.motors["leaf"])
    assert motor.arm is not None
    plant = powered(parameters, parts=2)
    shaft = plant.motors[0].shaft
    place(plant, 0, shaft.hang_rad + 0.02)
    plant.advance_to(plant.time_ns)
    weight = motor.arm.mass_kg * parameters.gravity_m_s2 * motor.arm.length_m
    state = np.array([0.0, 0.0, 0.0, 0.0, shaft.theta_rad])
    start = motor.pole_pairs * shaft.hang_rad + motor.electrical_offset_rad
    begun = plant.time_ns
    for k in range(100):
        field = start + 60.0 * (k * PIECE_NS * 1e-9) + 0.4
        duty = (
            0.5 + 0.3 * cos(field), 0.5 + 0.3 * cos(field - tau / 3.0), 0.5 + 0.3 * cos(field + tau / 3.0)
        )  # fmt: skip
        duties(plant, 0, duty)
        plant.advance_to(begun + (k + 1) * PIECE_NS)
        state = solve_ivp(
            slopes, (0.0, PIECE_NS * 1e-9), state, args=(duty, motor, parameters.driver, weight, shaft.hang_rad),
            rtol=1e-7, atol=1e-9, method="LSODA",
        ).y[:, -1]  # fmt: skip
    assert abs(state[4] - shaft.hang_rad) > 0.1
    assert shaft.theta_rad == pytest.approx(state[4], abs=3e-4 * abs(state[4] - shaft.hang_rad) + 2e-5)
    assert plant.motors[0].phase_currents_a() == pytest.approx(tuple(state[:3]), abs=2e-3)
    assert sqrt(float(state[:3] @ state[:3])) > 0.3
