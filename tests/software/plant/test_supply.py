"""Bench supply, battery and bus."""

from __future__ import annotations

from math import cos, tau

import pytest

from rigs_demo.plant import Plant, drawing
from tests.software.plant.rigs import MS, duties, place, powered, rig


def started(limit_a: float, protection_v: float = 99.0) -> Plant:
    plant = Plant(rig())
    plant.supply.set_voltage_v(12.0)
    plant.supply.set_current_limit_a(limit_a)
    plant.supply.set_protection_v(protection_v)
    plant.supply.set_output(True)
    return plant


def state_of(plant: Plant) -> str:
    return plant.supply.state


def test_the_limit_charges_the_bus_in_a_straight_line() -> None:
    plant = started(0.6)
    driver = plant.parameters.driver
    plant.advance_to(5 * MS)
    assert state_of(plant) == "cc"
    first = plant.bus.voltage_v
    assert first > driver.lockout_v
    plant.advance_to(7 * MS)
    rate = (0.6 - driver.idle_current_a) / driver.bus_capacitance_f
    assert plant.bus.voltage_v - first == pytest.approx(rate * 2e-3, rel=1e-6)
    plant.advance_to(30 * MS)
    assert state_of(plant) == "cv"
    assert plant.bus.voltage_v == pytest.approx(12.0 * plant.parameters.supply.setting_gain, rel=1e-12)


def test_under_the_limit_the_current_is_the_load_and_over_it_the_bus_gives_way() -> None:
    plant = started(0.25)
    plant.advance_to(60 * MS)
    duties(plant, 0, (1.0, 0.0, 0.0))
    plant.advance_to(plant.time_ns + 200 * MS)
    assert state_of(plant) == "cc"
    assert plant.bus.current_a == pytest.approx(0.25, abs=1e-9)
    assert plant.bus.voltage_v < 6.0


def test_protection_trips_and_stays_until_it_is_cleared() -> None:
    plant = started(1.5, protection_v=9.0)
    plant.advance_to(20 * MS)
    assert state_of(plant) == "tripped"
    plant.supply.set_output(True)
    plant.advance_to(21 * MS)
    assert state_of(plant) == "tripped"
    plant.supply.clear_protection()
    plant.advance_to(22 * MS)
    assert state_of(plant) == "off"
    plant.supply.set_protection_v(14.0)
    plant.supply.set_output(True)
    plant.advance_to(60 * MS)
    assert state_of(plant) == "cv"


def test_a_braking_motor_lifts_the_bus_because_the_supply_takes_nothing_back() -> None:
    plant = powered(rig({"rotor_inertia_kg_m2": 1e-2, "arm": None}))
    place(plant, 0, 0.0, 80.0)
    motor = plant.motors[0]
    parameters = plant.parameters.motors["leaf"]
    start = plant.bus.voltage_v
    for _ in range(200):
        # Less than the back-EMF, in phase with it: the windings do not burn all of what comes back.
        speed = parameters.pole_pairs * motor.shaft.omega_rad_s
        angle = motor.electrical_rad() + tau / 4.0 + 50e-6 * speed
        level = 0.6 * speed * parameters.flux_linkage_v_s / (plant.bus.voltage_v / 2.0)
        duties(plant, 0, tuple(0.5 + 0.5 * level * cos(angle - n * tau / 3.0) for n in range(3)))  # type: ignore[arg-type]
        plant.advance_to(plant.time_ns + 100_000)
    assert plant.bus.voltage_v > start + 1.0
    assert plant.bus.current_a == 0.0


def test_switched_off_the_bus_empties_into_the_board() -> None:
    plant = started(1.5)
    plant.advance_to(50 * MS)
    plant.supply.set_output(False)
    plant.advance_to(60 * MS)
    assert state_of(plant) == "off"
    assert 0.0 < plant.bus.voltage_v < 12.0
    plant.advance_to(2000 * MS)
    assert plant.bus.voltage_v == 0.0


def test_a_battery_sags_by_its_resistance() -> None:
    plant = Plant(drawing.load("handwheel"))
    duties(plant, 0, (0.8, 0.5, 0.5))
    plant.advance_to(300 * MS)
    used = plant.parameters.supply
    before = plant.integrals()
    plant.advance_to(310 * MS)
    after = plant.integrals()
    amps = (after.supply_current_a_s - before.supply_current_a_s) / 0.01
    volts = (after.supply_voltage_v_s - before.supply_voltage_v_s) / 0.01
    assert amps > plant.parameters.driver.idle_current_a
    assert volts == pytest.approx(used.voltage_v - used.internal_resistance_ohm * amps, rel=1e-6)
    assert state_of(plant) == "cv"
    plant.supply.set_output(False)
    plant.advance_to(311 * MS)
    assert plant.bus.voltage_v > 10.0
