"""True values of holding stiffness: torques at rest, means over cogging and over the angle of the field.

The loop holds with its field a quarter turn ahead of where it takes the rotor to be; what is wrong with that
(the firmware's own offset, the sensor once a turn) costs the cosine, averaged over the turn.
"""

from __future__ import annotations

from math import pi

import numpy as np

from rigs_demo.plant.parameters import MotorParameters, Parameters
from rigs_demo.truth.bench import KnownBench, Truth, Values
from rigs_demo.truth.commutation import misalignment_cosine
from rigs_demo.truth.firmware import Firmware
from rigs_demo.truth.static import AMPLITUDE, Still, holding_voltage

DEMANDS = tuple(float(x) for x in np.linspace(0.3, 1.0, 8))
"""Shares of the clip at which the loop's torque is taken: outside the dead zone that dead time makes."""


def stiffness(parameters: Parameters, motor: MotorParameters, still: Still, firmware: Firmware, index: int) -> Values:
    """Values by the quantity's last word. Those of the loop need a motor that it can hold."""
    peak = still.peak(AMPLITUDE)
    pairs = motor.pole_pairs
    values: Values = {
        "open_loop": (pairs * peak, "N m/rad"),
        "friction": (motor.coulomb_friction_n_m, "N m"),
        "slip_torque": (still.largest(AMPLITUDE), "N m"),
        "torque_per_ampere": (peak / still.mean_current(AMPLITUDE), "N m/A"),
        "supply_voltage": (holding_voltage(parameters, still), "V"),
    }
    if follows(motor, firmware):
        closed = loop_slope(motor, still, firmware, index)
        values["closed_loop"] = (closed, "N m/rad")
        values["ratio"] = (closed / (pairs * peak), "1")
        values["clip_torque"] = (
            still.mean_torque(firmware.limit, pi / 2.0) * misalignment_cosine(motor, firmware.offset_rad(index)),
            "N m",
        )
    return values


def follows(motor: MotorParameters, firmware: Firmware) -> bool:
    """True for a motor that the firmware's loop can hold."""
    plain = motor.wiring == (0, 1, 2) and motor.open_winding is None and motor.direction == 1
    return plain and motor.pole_pairs == firmware.pole_pairs


def loop_slope(motor: MotorParameters, still: Still, firmware: Firmware, index: int) -> float:
    """Torque of the loop a radian of error, by a straight line through torque over demand."""
    amplitudes = [share * firmware.limit for share in DEMANDS]
    torques = [still.mean_torque(amplitude, pi / 2.0) for amplitude in amplitudes]
    slope = float(np.polyfit(amplitudes, torques, 1)[0])
    return slope * firmware.gain_per_rad * misalignment_cosine(motor, firmware.offset_rad(index))


def of_motor(bench: KnownBench, name: str) -> Values:
    """Values of one motor."""
    return stiffness(bench.parameters, bench.motor(name), bench.still(name), bench.firmware, bench.index(name))


TRUTH = Truth(of_motor=of_motor)
