"""Shafts: pendulum, sticking, stops, coupling."""

from __future__ import annotations

from dataclasses import replace
from math import asin, cos, sin, sqrt, tau

import pytest
from scipy.special import ellipk

from rigs_demo.plant import Plant
from rigs_demo.plant.parameters import CouplingParameters
from tests.software.plant.rigs import MS, NO_COGGING, NO_FRICTION, S, duties, place, powered, rig


def pendulum(amplitude: float) -> tuple[float, list[float]]:
    parameters = rig(NO_FRICTION | NO_COGGING)
    # Under a dead bus the diodes would rectify the back-EMF of a wide swing and brake it.
    plant = powered(parameters)
    hang = plant.motors[0].shaft.hang_rad
    place(plant, 0, hang + amplitude)
    crossings = []
    before = amplitude
    for k in range(1, 20_000):
        plant.advance_to(50 * MS + k * 100_000)
        now = plant.motors[0].shaft.theta_rad - hang
        if before > 0.0 >= now:
            crossings.append((k - now / (now - before)) * 1e-4)
        before = now
    motor = parameters.motors["leaf"]
    assert motor.arm is not None
    weight = motor.arm.mass_kg * parameters.gravity_m_s2 * motor.arm.length_m
    return sqrt(motor.inertia_kg_m2 / weight), crossings


@pytest.mark.parametrize("amplitude", [0.02, 1.5])
def test_an_arm_swings_with_the_period_of_a_pendulum(amplitude: float) -> None:
    unit_s, crossings = pendulum(amplitude)
    period = (crossings[-1] - crossings[0]) / (len(crossings) - 1)
    assert period == pytest.approx(4.0 * unit_s * ellipk(sin(amplitude / 2.0) ** 2), rel=1e-5)


def test_a_swing_without_friction_keeps_its_energy() -> None:
    plant = powered(rig(NO_FRICTION | NO_COGGING))
    shaft = plant.motors[0].shaft
    place(plant, 0, shaft.hang_rad + 1.0)
    before = plant.stored_j()
    plant.advance_to(3 * S)
    assert plant.stored_j() - before == pytest.approx(0.0, abs=1e-6 * 0.05)


def friction_band_rad(plant: Plant) -> float:
    """Angle from hanging up to which friction holds the leaf's arm."""
    arm = plant.parameters.motors["leaf"].arm
    assert arm is not None
    return asin(plant.motors[0].shaft.coulomb_n_m / (arm.mass_kg * plant.parameters.gravity_m_s2 * arm.length_m))


@pytest.mark.parametrize("share", [0.98, -0.98])
def test_friction_holds_an_arm_up_to_its_torque_and_exactly(share: float) -> None:
    plant = Plant(rig(NO_COGGING))
    shaft = plant.motors[0].shaft
    band = friction_band_rad(plant)
    place(plant, 0, shaft.hang_rad + share * band)
    plant.advance_to(2 * S)
    assert shaft.theta_rad == shaft.hang_rad + share * band
    assert shaft.omega_rad_s == 0.0


def test_beyond_the_band_an_arm_slides_and_then_stands() -> None:
    plant = Plant(rig(NO_COGGING))
    shaft = plant.motors[0].shaft
    band = friction_band_rad(plant)
    place(plant, 0, shaft.hang_rad + 1.05 * band)
    plant.advance_to(2 * S)
    plant.later(lambda: None)
    assert shaft.theta_rad < shaft.hang_rad + 1.04 * band
    assert shaft.omega_rad_s == 0.0


def test_end_stops_hold_whatever_the_motor_does() -> None:
    plant = powered(rig())
    shaft = plant.motors[0].shaft
    arm = plant.parameters.motors["leaf"].arm
    assert arm is not None
    begun = plant.time_ns
    furthest = 0.0
    for k in range(800):
        angle = plant.motors[0].electrical_rad() + tau / 4.0
        duties(plant, 0, tuple(0.5 + 0.5 * cos(angle - n * tau / 3.0) for n in range(3)))  # type: ignore[arg-type]
        plant.advance_to(begun + (k + 1) * MS)
        furthest = max(furthest, shaft.theta_rad - shaft.hang_rad)
    assert furthest == pytest.approx(arm.stop_rad, abs=1e-12)
    assert shaft.stop_j > 0.0


def test_coupled_shafts_go_together_and_the_coupling_relaxes_where_both_hang() -> None:
    coupling = CouplingParameters(stiffness_n_m_rad=0.4, damping_n_m_s=2e-4)
    plant = Plant(replace(rig(), coupling=coupling))
    place(plant, 0, plant.motors[0].shaft.hang_rad + 0.8)
    plant.advance_to(20 * MS)
    assert abs(plant.motors[1].shaft.omega_rad_s) > 0.0
    plant.advance_to(5 * S)
    first, second = (motor.shaft for motor in plant.motors)
    left = (first.theta_rad - first.hang_rad) - (second.theta_rad - second.hang_rad)
    most = (first.coulomb_n_m + second.coulomb_n_m) / coupling.stiffness_n_m_rad
    assert abs(left) < most + 0.05
    assert plant.lost_j()["coupling"] > 0.0


def test_two_shafts_without_coupling_do_not_know_of_each_other() -> None:
    plant = Plant(rig())
    place(plant, 0, plant.motors[0].shaft.hang_rad + 0.8)
    before = plant.motors[1].shaft.theta_rad
    plant.advance_to(S)
    assert plant.motors[1].shaft.theta_rad == before


def test_inertia_follows_the_parallel_axis() -> None:
    motor = rig().motors["leaf"]
    assert motor.arm is not None
    bare = replace(motor, arm=None)
    added = motor.arm.own_inertia_kg_m2 + motor.arm.mass_kg * motor.arm.length_m**2
    assert motor.inertia_kg_m2 - bare.inertia_kg_m2 == pytest.approx(added, rel=1e-12)
