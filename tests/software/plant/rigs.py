"""Plants for tests: the sluice rig, stripped to what a closed form or an independent solution covers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rigs_demo.plant import Parameters, Plant, drawing

MS = 1_000_000
S = 1_000_000_000
NO_ARM = {"arm": None}
NO_FRICTION = {"coulomb_friction_n_m": 0.0, "viscous_friction_n_m_s": 0.0}
NO_COGGING = {"cogging_n_m": 0.0}
IDEAL_BRIDGE = {"dead_time_s": 0.0, "diode_drop_v": 0.0}
STIFF_BUS = {"bus_capacitance_f": 1e3}


def rig(leaf: dict[str, Any] | None = None, driver: dict[str, Any] | None = None) -> Parameters:
    """The nominal sluice rig with some of the leaf motor's and the driver's parameters changed."""
    parameters = drawing.load("sluice")
    motors = dict(parameters.motors)
    motors["leaf"] = replace(motors["leaf"], **(leaf or {}))
    return replace(parameters, motors=motors, driver=replace(parameters.driver, **(driver or {})))


def powered(parameters: Parameters, volts: float = 12.0, *, parts: int = 1, limit_a: float = 1e9) -> Plant:
    """A plant whose supply is on and has settled; the true voltage is exactly `volts`."""
    plant = Plant(parameters, parts=parts)
    plant.supply.set_voltage_v(volts / parameters.supply.setting_gain)
    plant.supply.set_current_limit_a(limit_a)
    plant.supply.set_output(True)
    plant.advance_to(50 * MS)
    return plant


def place(plant: Plant, motor: int, theta_rad: float, omega_rad_s: float = 0.0) -> None:
    """Put a shaft somewhere and wake the plant up; call it with the motor's bridge off."""
    driven = plant.motors[motor]
    driven.shaft.theta_rad = theta_rad
    driven.shaft.omega_rad_s = omega_rad_s
    plant.later(driven.disturbed)


def duties(plant: Plant, motor: int, values: tuple[float, float, float]) -> None:
    """Three duties at once, bridge on."""
    for phase, duty in enumerate(values):
        plant.set_duty(motor, phase, duty)
    plant.set_enabled(motor, True)


def unaccounted_j(plant: Plant, stored_j: float) -> float:
    """What the source gave that is neither stored since `stored_j` nor in any of the losses."""
    return plant.bus.source_j - (plant.stored_j() - stored_j) - sum(plant.lost_j().values())
