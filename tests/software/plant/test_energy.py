"""Energy: what the source gave is stored or lost somewhere, over runs that use everything at once."""

from __future__ import annotations

from dataclasses import replace
from math import cos, tau

import pytest

from rigs_demo.plant import Plant, drawing
from rigs_demo.plant.parameters import CouplingParameters
from rigs_demo.truth.firmware import read_firmware
from rigs_demo.truth.loop import ClosedLoop
from tests.software.plant.rigs import MS, duties, powered, rig, unaccounted_j


def turn(plant: Plant, motor: int, seconds: float, speed_rad_s: float) -> None:
    """A field that turns, a new one every millisecond."""
    begun = plant.time_ns
    for k in range(round(seconds * 1000)):
        angle = speed_rad_s * k * 1e-3
        duties(plant, motor, tuple(0.5 + 0.3 * cos(angle - n * tau / 3.0) for n in range(3)))  # type: ignore[arg-type]
        plant.advance_to(begun + (k + 1) * MS)


@pytest.mark.parametrize("winding", [None, 2])
def test_a_driven_run_of_both_motors_balances(winding: int | None) -> None:
    plant = powered(rig({"open_winding": winding}))
    before = plant.stored_j() - plant.bus.source_j + sum(plant.lost_j().values())
    turn(plant, 0, 0.4, 30.0)
    turn(plant, 1, 0.4, -80.0)
    plant.set_enabled(0, False)
    plant.set_enabled(1, False)
    plant.advance_to(plant.time_ns + 200 * MS)
    plant.supply.set_output(False)
    plant.advance_to(plant.time_ns + 50 * MS)
    through = sum(plant.lost_j().values())
    assert through > 0.5
    assert plant.bus.source_j - plant.stored_j() - through + before == pytest.approx(0.0, abs=1e-3 * through)


def test_a_battery_with_coupled_shafts_balances() -> None:
    coupling = CouplingParameters(stiffness_n_m_rad=0.4, damping_n_m_s=2e-4)
    plant = Plant(replace(drawing.load("handwheel"), coupling=coupling))
    before = plant.stored_j()
    turn(plant, 1, 0.6, 20.0)
    assert plant.lost_j()["coupling"] > 0.0
    through = sum(plant.lost_j().values())
    assert plant.lost_j()["source"] > 0.0
    assert unaccounted_j(plant, before) == pytest.approx(0.0, abs=1e-3 * through)


def test_a_closed_loop_that_feeds_back_balances() -> None:
    loop = ClosedLoop(drawing.load("sluice"), read_firmware("sluice"), "leaf", 12.0, 1)
    plant = loop.plant
    before = plant.stored_j() - plant.bus.source_j + sum(plant.lost_j().values())
    for way in (0.9, -0.9, 0.9):
        loop.move(loop.target_rad + way, 0.4)
    through = sum(plant.lost_j().values())
    assert plant.bus.source_j - plant.stored_j() - through + before == pytest.approx(0.0, abs=1e-3 * through)


def test_a_balance_sees_a_missing_loss() -> None:
    plant = Plant(drawing.load("handwheel"))
    before = plant.stored_j()
    turn(plant, 1, 0.3, 20.0)
    plant.motors[1].copper_j[0] *= 0.99
    assert abs(unaccounted_j(plant, before)) > 1e-3 * sum(plant.lost_j().values())
