"""What moves in a step of the loop, as the rig file has it: each parameter by what it means."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from harness.nouns.quantity import Quantity
from harness.physics.drive import phase_volts
from harness.physics.loop import shaft
from harness.rigfile import loads
from tests.software.checks.windings import RIG, Machine

DECLARED: Any = SimpleNamespace(carrier_hz=16e3, loop_period_s=5e-3)
"""What a firmware declares; the rig file goes before it."""
SPEC = loads(RIG.encode(), "rig.toml")
MOTOR, GAIN, VOLTS, OHM = SPEC.motor["leaf"], 4.93, 12.0, 4.6 + 0.25


@pytest.fixture(scope="module")
def parameters() -> dict[str, Quantity]:
    return shaft(SPEC, DECLARED, "leaf")


def test_the_dead_zone_ends_where_the_bridge_begins_to_put_out_anything(parameters: dict[str, Quantity]) -> None:
    edge = parameters["dead_rad"].value
    inside, outside = (phase_volts(GAIN * edge * share, VOLTS, 150e-9, 20e3) for share in (0.999, 1.001))
    assert inside == 0.0 and outside > 0.0


def test_the_clip_is_reached_at_the_largest_demand(parameters: dict[str, Quantity]) -> None:
    assert GAIN * parameters["clip_rad"].value == pytest.approx(0.4)


def test_a_set_point_waits_for_the_reading_the_loop_and_half_a_pass(parameters: dict[str, Quantity]) -> None:
    assert parameters["lag_s"].value == pytest.approx(0.10e-3 + 0.30e-3 + 1.0e-3 / 2.0 + 1.3e-3 / OHM, rel=1e-3)


def test_what_turns_is_rotor_and_arm(parameters: dict[str, Quantity]) -> None:
    assert parameters["inertia"].value == pytest.approx(4.6e-5 + 1.0e-5 + 0.205 * 0.03**2)


def test_the_loop_is_as_stiff_as_three_windings_are_at_the_demand_of_a_radian(parameters: dict[str, Quantity]) -> None:
    machine = Machine(pole_pairs=10, flux_v_s=6.6e-3, ohm=OHM)
    quarter = math.pi / 2.0 / 10
    assert parameters["loop"].value == pytest.approx(machine.torque(quarter, GAIN, VOLTS), rel=1e-3)


def test_a_shaft_that_drives_its_winding_is_braked_by_the_heat_in_it(parameters: dict[str, Quantity]) -> None:
    """Back-EMF of three phases on their resistance, a turn through: torque x speed is the heat."""
    speed, steps = 1.0, 3600
    heat = 0.0
    for k in range(steps):
        for phase in range(3):
            emf = 10 * 6.6e-3 * speed * math.sin(math.tau * k / steps - phase * math.tau / 3.0)
            heat += emf**2 / OHM / steps
    assert parameters["damping"].value == pytest.approx(1.3e-4 + heat / speed**2)
