"""Final rises and time constants of the plant's thermal network at a constant current in phases B and C.

Constant current through copper whose resistance rises with temperature keeps the network linear:

    C dr/dt = I^2 R20 (1 + r / (k + 20)) [B, C] - G r          r = rise over a room of 20 degC

so that its modes are exact: the slowest is the housing's, the others are the windings'.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from rigs_demo.plant.parameters import CONDUCTOR_K, REFERENCE_C, DriverParameters, MotorParameters

CURRENT_A = 0.55
"""Phase current of the check, by definition."""
HOT = (1, 2)
"""Nodes that carry it; node 0 is the idle winding, node 3 the housing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Modes:
    """What a heated winding does in the end, and how it gets there."""

    rise_k: float
    fast_rise_k: float
    fast_s: float
    slow_s: float


def modes(motor: MotorParameters) -> Modes:
    """Modes of the four-node network, seen at a heated winding. Raises ValueError where it would run away."""
    thermal = motor.thermal
    to_housing = 1.0 / (3.0 * thermal.winding_to_housing_k_w)
    capacity = np.array([thermal.winding_capacity_j_k / 3.0] * 3 + [thermal.housing_capacity_j_k])
    conduct = np.diag([to_housing] * 3 + [3.0 * to_housing + 1.0 / thermal.housing_to_ambient_k_w])
    conduct[:3, 3] = conduct[3, :3] = -to_housing
    cold_w = CURRENT_A**2 * motor.resistance_ohm
    power = np.zeros(4)
    for node in HOT:
        power[node] = cold_w
        conduct[node, node] -= cold_w / (CONDUCTOR_K[motor.conductor] + REFERENCE_C)
    # Symmetric in the square roots of the capacities: real modes, orthogonal.
    root = np.sqrt(capacity)
    rates, shapes = np.linalg.eigh(conduct / np.outer(root, root))
    if rates[0] <= 0.0:
        raise ValueError("thermal network: heats itself without end at this current")
    amplitude = shapes[HOT[0]] / root[HOT[0]] * (shapes.T @ (power / root)) / rates
    # The winding that is not heated makes two fast modes of nearly one time: their mean by amplitude is what shows.
    fast_s = float(np.average(1.0 / rates[1:], weights=amplitude[1:]))
    return Modes(
        rise_k=float(amplitude.sum()),
        fast_rise_k=float(amplitude[1:].sum()),
        fast_s=fast_s,
        slow_s=float(1.0 / rates[0]),
    )


def driver_rise_k(driver: DriverParameters) -> float:
    """Rise of the driver with the current through two of its outputs: resistance, and diodes in the dead time."""
    sign = CURRENT_A / sqrt(CURRENT_A**2 + driver.zero_crossing_a**2)
    lost_v = 2.0 * driver.dead_time_s * driver.carrier_hz * driver.diode_drop_v * sign
    power = 2.0 * (driver.on_resistance_ohm * CURRENT_A**2 + lost_v * CURRENT_A)
    return power * driver.thermal_resistance_k_w
