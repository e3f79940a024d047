"""True values against solutions that share nothing with the plant, and against the list of quantities."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from functools import cache
from math import cos, pi, sin, sqrt, tau
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import fsolve

from harness.checks.catalogue import CHECKS, full_names
from rigs_demo.plant import drawing
from rigs_demo.plant.parameters import DriverParameters, MotorParameters
from rigs_demo.truth import Entry, truth
from rigs_demo.truth.commutation import distinct_codes
from rigs_demo.truth.firmware import read_firmware
from rigs_demo.truth.gather import gather
from rigs_demo.truth.static import Still
from rigs_demo.truth.step import step
from rigs_demo.truth.stiffness import loop_slope
from tests.software.plant.rigs import rig

ROOT = Path(__file__).resolve().parents[3]
SLUICE = drawing.load("sluice")
TIMED = (
    "step.loop_jitter",
    "conduct.field_error",
    "conduct.duties_error",
    "conduct.time_to_off",
    "conduct.deadman_late",
)
"""What belongs to the interpreter of the board and to its carrier, which the plant's parameters do not know."""
LEFT_OUT = {f"{motor}.{quantity}" for motor in ("leaf", "wheel") for quantity in TIMED}


@cache
def nominal() -> dict[str, Entry]:
    """The sluice rig's true values."""
    return truth("sluice")


def value(name: str) -> float:
    return nominal()[name]["value"]


def torque(motor: MotorParameters, driver: DriverParameters, field: float, level: float, electrical: float) -> float:
    """Static torque by Kirchhoff in phases, solved by a general root finder."""
    places = np.array([0.0, 1.0, 2.0]) * tau / 3.0
    dead = driver.dead_time_s * driver.carrier_hz
    ohm = motor.resistance_ohm + driver.on_resistance_ohm
    duty = 0.5 + 0.5 * level * np.cos(field - places)

    def open_nodes(ab: np.ndarray) -> list[float]:
        i = np.array([ab[0], ab[1], -ab[0] - ab[1]])
        sign = i / np.sqrt(i**2 + driver.zero_crossing_a**2)
        volts = (duty - dead * sign) * SLUICE.supply.voltage_v - 2.0 * dead * driver.diode_drop_v * sign - ohm * i
        return [volts[0] - volts[1], volts[1] - volts[2]]

    a, b = fsolve(open_nodes, [0.1 * cos(field), 0.1 * cos(field - places[1])], xtol=1e-11)
    i = np.array([a, b, -a - b])
    half_h = (motor.inductance_d_h - motor.inductance_q_h) / 2.0
    at = electrical - places
    reluctance = 2.0 / 3.0 * half_h * float(i @ np.sin(np.add.outer(at, at)) @ i)
    return motor.pole_pairs * (-motor.flux_linkage_v_s * float(i @ np.sin(at)) - reluctance)


@pytest.mark.parametrize("name", ["leaf", "wheel"])
def test_static_torques_agree_with_an_independent_solution(name: str) -> None:
    motor, driver = SLUICE.motors[name], SLUICE.driver
    still = Still(motor, driver, SLUICE.supply.voltage_v)
    for k in range(12):
        field, ahead = 0.55 * k, 0.4 * k
        expected = torque(motor, driver, field, 0.6, field - ahead)
        assert still.at(field, 0.6, field - ahead).torque_n_m == pytest.approx(expected, rel=1e-8, abs=1e-12)
    turns = np.arange(12) * tau / 12.0 + 0.01
    peak = np.mean([2.0 * sin(a) * torque(motor, driver, f, 0.6, f - a) for f in turns for a in turns])
    assert value(f"{name}.stiffness.open_loop") == pytest.approx(motor.pole_pairs * peak, rel=3e-4)
    clip = np.mean([torque(motor, driver, f, 0.4, f - pi / 2.0) for f in turns])
    assert value(f"{name}.stiffness.clip_torque") == pytest.approx(clip, rel=2e-3)


def test_torque_per_ampere_is_flux_alone() -> None:
    motor = SLUICE.motors["leaf"]
    expected = 1.5 * motor.pole_pairs * motor.flux_linkage_v_s
    assert value("leaf.stiffness.torque_per_ampere") == pytest.approx(expected, rel=1e-3)


def test_a_loop_without_dead_time_and_cogging_swings_and_decays_as_a_linear_one() -> None:
    parameters = rig({"cogging_n_m": 0.0}, {"dead_time_s": 0.0})
    motor = parameters.motors["leaf"]
    firmware = read_firmware("sluice")
    assert motor.arm is not None
    found = step(parameters, drawing.rig_table("sluice"), "leaf", firmware, staircases=1)
    weight = motor.arm.mass_kg * parameters.gravity_m_s2 * motor.arm.length_m
    stiffness = loop_slope(motor, Still(motor, parameters.driver, parameters.supply.voltage_v), firmware, 0)
    own = sqrt((stiffness + weight) / motor.inertia_kg_m2)
    assert found["natural_frequency"][0] == pytest.approx(own, rel=0.02)
    taken = found["delay"][0] + firmware.period_s / 2.0
    damping = (found["stability_margin"][0] - 1.0) * stiffness * taken
    assert found["decay"][0] == pytest.approx(pi * damping / (2.0 * motor.inertia_kg_m2 * own), rel=0.1)


def test_dead_time_and_cogging_move_the_swing_but_not_out_of_sight() -> None:
    motor = SLUICE.motors["leaf"]
    assert motor.arm is not None
    weight = motor.arm.mass_kg * SLUICE.gravity_m_s2 * motor.arm.length_m
    own = sqrt((value("leaf.stiffness.closed_loop") + weight) / motor.inertia_kg_m2)
    assert value("leaf.step.natural_frequency") == pytest.approx(own, rel=0.04)


def test_a_finer_step_moves_the_response_by_less_than_anything_measured() -> None:
    firmware = read_firmware("sluice")
    table = drawing.rig_table("sluice")
    coarse, fine = (step(SLUICE, table, "wheel", firmware, parts=parts, staircases=1) for parts in (1, 2))
    for quantity in ("natural_frequency", "rise_time", "overshoot", "large_overshoot"):
        assert coarse[quantity][0] == pytest.approx(fine[quantity][0], rel=1e-3)


def test_distinct_codes_are_what_a_simulation_counts() -> None:
    noise = np.random.default_rng(1)
    sigma = 4.2e-4 / tau * 32768
    drawn = np.round(noise.uniform(-0.5, 0.5, (2000, 1)) + noise.normal(0.0, sigma, (2000, 256)))
    counted = np.mean([len(np.unique(row)) for row in drawn])
    assert distinct_codes(4.2e-4, 15) == pytest.approx(counted, rel=0.01)


def test_every_listed_quantity_has_a_true_value_but_those_left_out() -> None:
    listed = {
        name
        for row in CHECKS
        for motor in (SLUICE.motors if row.per_motor else ("together",))
        for name in full_names(row, motor, SLUICE.motors)
    }
    assert set(nominal()) == listed - LEFT_OUT
    assert all(np.isfinite(entry["value"]) and entry["unit"] for entry in nominal().values())


def test_the_command_prints_the_same_as_json() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "rigs_demo", "truth", "handwheel", "--plant-seed", "4"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout) == truth("handwheel", 4)


def test_a_drawn_plant_has_truths_of_its_own() -> None:
    drawn = gather("sluice", 5, (), responses=False)
    assert drawn["leaf.thermal.resistance"][0] == drawing.load("sluice", 5).motors["leaf"].resistance_ohm
    assert drawn["leaf.stiffness.closed_loop"][0] != value("leaf.stiffness.closed_loop")


def test_another_board_has_a_driver_of_its_own_and_the_same_motors() -> None:
    found = gather("sluice", None, (), board_seed=3, responses=False)
    assert found["leaf.thermal.resistance"][0] == value("leaf.thermal.resistance")
    driver = drawing.load("sluice", None, 3).driver
    ratio = driver.thermal_resistance_k_w / SLUICE.driver.thermal_resistance_k_w
    assert found["leaf.thermal.driver_rise"][0] / value("leaf.thermal.driver_rise") == pytest.approx(ratio, rel=0.2)
    assert found["leaf.thermal.driver_rise"][0] != value("leaf.thermal.driver_rise")


@pytest.mark.parametrize(
    ("fault", "name", "ratio"),
    [
        ("slack-gain", "leaf.stiffness.closed_loop", 0.5),
        ("faded-magnet", "leaf.stiffness.torque_per_ampere", 0.85),
        ("drooping-supply", "leaf.stiffness.supply_voltage", 0.9),
        ("loose-winding", "leaf.thermal.fast_rise", 1.5),
        ("crossed-leads", "leaf.commutation.direction", -1.0),
        ("extra-pole-pair", "leaf.commutation.pole_pairs", 11.0 / 10.0),
    ],
)
def test_a_fault_moves_the_truth_that_it_is_about(fault: str, name: str, ratio: float) -> None:
    assert gather("sluice", None, (fault,), responses=False)[name][0] / value(name) == pytest.approx(ratio, rel=0.05)


def test_an_open_lead_leaves_a_vector_without_current() -> None:
    found = gather("sluice", None, ("broken-lead=1",), responses=False)
    assert found["leaf.commutation.weakest_vector"][0] < 0.01


def test_a_loop_that_lacks_its_pace_has_no_step_response() -> None:
    assert not any(".step." in name for name in truth("handwheel"))


def test_a_late_loop_shows_in_the_delay() -> None:
    late = step(
        SLUICE, drawing.rig_table("sluice"), "leaf", read_firmware("sluice", ("late-loop=0.001",)), staircases=1
    )
    assert late["delay"][0] - value("leaf.step.delay") == pytest.approx(1e-3)
    assert late["stability_margin"][0] < value("leaf.step.stability_margin")
    assert "rise_time" not in late or late["decay"][0] < value("leaf.step.decay")


def test_misalignment_costs_the_cosine() -> None:
    motor = SLUICE.motors["leaf"]
    turned = replace(motor, electrical_offset_rad=motor.electrical_offset_rad + 0.3)
    firmware = read_firmware("sluice")
    still = [Still(m, SLUICE.driver, 12.0) for m in (motor, turned)]
    ratio = loop_slope(turned, still[1], firmware, 0) / loop_slope(motor, still[0], firmware, 0)
    assert ratio == pytest.approx(cos(0.3), abs=0.01)
