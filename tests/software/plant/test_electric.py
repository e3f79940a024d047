"""Windings and bridges against closed forms."""

from __future__ import annotations

from dataclasses import replace
from math import cos, exp, hypot, sin, tau

import pytest

from tests.software.plant.rigs import (
    IDEAL_BRIDGE,
    MS,
    NO_ARM,
    NO_COGGING,
    NO_FRICTION,
    STIFF_BUS,
    duties,
    place,
    powered,
    rig,
)

LOCKED = {"rotor_inertia_kg_m2": 1e6} | NO_ARM | NO_COGGING | NO_FRICTION


def test_current_rises_as_resistance_and_inductance_say() -> None:
    parameters = rig(LOCKED | {"saliency": 0.0}, IDEAL_BRIDGE | STIFF_BUS)
    parameters = replace(parameters, room_c=20.0)
    motor, driver = parameters.motors["leaf"], parameters.driver
    plant = powered(parameters)
    begun = plant.time_ns
    duties(plant, 0, (0.7, 0.5, 0.5))
    ohm = motor.resistance_ohm + driver.on_resistance_ohm
    for ms in (0.2, 0.5, 1.0, 3.0):
        plant.advance_to(begun + round(ms * MS))
        # A against B and C in parallel: two thirds of the difference stand across A's winding.
        expected = 12.0 * 0.2 * 2.0 / 3.0 / ohm * (1.0 - exp(-ms * 1e-3 * ohm / motor.inductance_h))
        a, b, c = plant.motors[0].phase_currents_a()
        assert a == pytest.approx(expected, rel=1e-5)
        assert b == pytest.approx(-a / 2.0, rel=1e-9)
        assert b == pytest.approx(c, rel=1e-9)


def test_dead_time_takes_its_share_of_the_voltage() -> None:
    parameters = replace(rig(LOCKED, STIFF_BUS | {"zero_crossing_a": 1e-6}), room_c=20.0)
    motor, driver = parameters.motors["leaf"], parameters.driver
    plant = powered(parameters)
    duties(plant, 0, (0.7, 0.5, 0.5))
    plant.advance_to(plant.time_ns + 10 * MS)
    # On A against the current, on B and C with it: twice the dead time's share, bus and diodes.
    lost = 2.0 * driver.dead_time_s * driver.carrier_hz * (12.0 + 2.0 * driver.diode_drop_v)
    ohm = motor.resistance_ohm + driver.on_resistance_ohm
    expected = (12.0 * 0.2 - lost) * 2.0 / 3.0 / ohm
    assert plant.motors[0].phase_currents_a()[0] == pytest.approx(expected, rel=2e-4)


def test_short_circuited_windings_brake_as_the_steady_state_says() -> None:
    parameters = replace(rig(LOCKED | {"saliency": 0.0}, IDEAL_BRIDGE | STIFF_BUS), room_c=20.0)
    motor, driver = parameters.motors["leaf"], parameters.driver
    plant = powered(parameters, parts=4)
    place(plant, 0, 0.0, 40.0)
    duties(plant, 0, (0.0, 0.0, 0.0))
    plant.advance_to(plant.time_ns + 30 * MS)
    ohm = motor.resistance_ohm + driver.on_resistance_ohm
    speed = 40.0 * motor.pole_pairs
    square = ohm**2 + (speed * motor.inductance_h) ** 2
    assert plant.motors[0].i_q == pytest.approx(-ohm * speed * motor.flux_linkage_v_s / square, rel=1e-3)
    assert plant.motors[0].i_d == pytest.approx(
        -(speed**2) * motor.inductance_h * motor.flux_linkage_v_s / square, rel=1e-3
    )


def test_no_load_speed_is_where_the_back_emf_meets_the_voltage() -> None:
    free = NO_ARM | NO_COGGING | NO_FRICTION | {"saliency": 0.0}
    parameters = replace(rig(free, IDEAL_BRIDGE | STIFF_BUS), room_c=20.0)
    motor = parameters.motors["leaf"]
    plant = powered(parameters)
    amplitude = 0.2
    begun = plant.time_ns
    for k in range(4000):
        plant.advance_to(begun + k * 100_000)
        shaft = plant.motors[0].shaft
        angle = plant.motors[0].electrical_rad() + motor.pole_pairs * shaft.omega_rad_s * 50e-6 + tau / 4.0
        duties(plant, 0, tuple(0.5 + 0.5 * amplitude * cos(angle - n * tau / 3.0) for n in range(3)))  # type: ignore[arg-type]
    expected = amplitude * 12.0 / 2.0 / (motor.pole_pairs * motor.flux_linkage_v_s)
    assert plant.motors[0].shaft.omega_rad_s == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("winding", [0, 1, 2])
def test_no_current_flows_in_a_broken_lead(winding: int) -> None:
    parameters = rig({"open_winding": winding})
    plant = powered(parameters)
    begun = plant.time_ns
    largest = 0.0
    for k in range(60):
        duties(plant, 0, tuple(0.5 + 0.3 * cos(0.3 * k - n * tau / 3.0) for n in range(3)))  # type: ignore[arg-type]
        plant.advance_to(begun + (k + 1) * MS)
        currents = plant.motors[0].phase_currents_a()
        assert currents[winding] == 0.0
        assert sum(currents) == pytest.approx(0.0, abs=1e-15)
        largest = max(largest, *currents)
    assert largest > 0.3
    plant.set_enabled(0, False)
    plant.advance_to(plant.time_ns + 5 * MS)
    assert plant.motors[0].phase_currents_a() == (0.0, 0.0, 0.0)


def test_currents_die_in_the_diodes_when_the_bridge_goes_off() -> None:
    plant = powered(rig(LOCKED))
    duties(plant, 0, (0.8, 0.5, 0.2))
    plant.advance_to(plant.time_ns + 5 * MS)
    assert hypot(plant.motors[0].i_d, plant.motors[0].i_q) > 0.2
    plant.set_enabled(0, False)
    plant.advance_to(plant.time_ns + 2 * MS)
    assert (plant.motors[0].i_d, plant.motors[0].i_q) == (0.0, 0.0)


def test_terminals_of_a_turning_motor_show_its_back_emf() -> None:
    parameters = replace(rig(LOCKED | {"electrical_offset_rad": 0.0}), room_c=20.0)
    motor = parameters.motors["leaf"]
    plant = powered(parameters)
    place(plant, 0, 0.0, 10.0)
    begun = plant.time_ns
    start = plant.integrals().terminal_v_s[0]
    plant.advance_to(begun + 2 * MS)
    end = plant.integrals().terminal_v_s[0]
    # The integral of a back-EMF is a difference of flux linkages: psi cos(p theta - n 120 deg).
    turned = motor.pole_pairs * 10.0 * 2e-3

    def linked(n: int) -> float:
        return motor.flux_linkage_v_s * (cos(turned - n * tau / 3.0) - cos(-n * tau / 3.0))

    for pair, (x, y) in enumerate(((0, 1), (1, 2), (2, 0))):
        assert end[pair] - start[pair] == pytest.approx(linked(x) - linked(y), rel=1e-3), sin(turned)
