"""True values of commutation: which way, how often, from where, and how evenly.

A mirrored order of the phases is seen by the board as another sense: with B and C exchanged the board's
electrical angle is the negative of the winding's.
"""

from __future__ import annotations

from math import cos, erf, remainder, sqrt, tau

import numpy as np

from rigs_demo.plant.parameters import MotorParameters
from rigs_demo.plant.sensor import reading_rad, shaft_at_reading
from rigs_demo.truth.bench import KnownBench, Truth, Values
from rigs_demo.truth.firmware import HAND_OVER_S, Firmware
from rigs_demo.truth.static import AMPLITUDE, Still

VECTORS = 5
"""Either way from hanging, among those that the check's sweeps surely pass at speed."""
READINGS = 256
"""Readings that distinct codes are counted in."""
MIRRORED = {(0, 1, 2): 0, (1, 2, 0): 1, (2, 0, 1): 2, (0, 2, 1): 3, (2, 1, 0): 4, (1, 0, 2): 5}
"""Shift of the phases in thirds of a turn, and 3 more where they are mirrored, by the winding of each output."""


def commutation(
    motor: MotorParameters, on_ohm: float, still: Still, firmware: Firmware, offset_about_rad: float
) -> Values:
    """Values by the quantity's last word; those the parameters do not decide are left out."""
    order = MIRRORED[motor.wiring]
    sense = -1 if order >= 3 else 1
    # The winding's angle of the board's phase A: what the board calls zero.
    axis = tau / 3.0 * motor.wiring[0]
    offset = sense * (motor.electrical_offset_rad - axis)
    values: Values = {
        "direction": (float(motor.direction * sense), "1"),
        "pole_pairs": (float(motor.pole_pairs), "1"),
        "phase_order": (float(order), "1"),
        "step_angle": (tau / 6.0 / motor.pole_pairs, "rad"),
        "offset": (offset_about_rad + remainder(offset - offset_about_rad, tau), "rad"),
        "weakest_vector": (weakest(still), "1"),
        "impossible_ages": (0.0, "1"),
    }
    if motor.arm is not None:
        values["hang_reading"] = (motor.arm.hang_reading_rad, "rad")
        if motor.open_winding is None:
            values["step_spread"] = (step_spread(motor, sense, axis), "rad")
    sensor = motor.sensor
    if firmware.bus_path:
        values["sensor_noise"] = (sensor.noise_rad, "rad")
        values["distinct_codes"] = (distinct_codes(sensor.noise_rad, sensor.bits), "1")
        if firmware.own_pace:
            values["sensor_age"] = (HAND_OVER_S, "s")
            # Currents that turn with a field of constant speed lag it by the winding's time constant.
            winding_s = motor.inductance_h / (motor.resistance_ohm + on_ohm)
            values["reading_lag"] = (sensor.latency_s + HAND_OVER_S + winding_s, "s")
    else:
        values["sensor_noise"] = (sensor.pulse_noise_rad, "rad")
    return values


def weakest(still: Still) -> float:
    """Smallest mean current of a pair of opposite vectors over the mean of all three pairs."""
    drawn = [still.at(k * tau / 6.0, AMPLITUDE, k * tau / 6.0).bus_a for k in range(6)]
    pairs = [(drawn[k] + drawn[k + 3]) / 2.0 for k in range(3)]
    return min(pairs) / (sum(pairs) / 3.0)


def step_spread(motor: MotorParameters, sense: int, axis_rad: float) -> float:
    """Rms departure of the readings at evenly spaced fields from a straight line: without arm, friction and cogging,
    which a turning shaft rides over, so that only the sensor's error is left.
    """
    arm = motor.arm
    if arm is None:
        raise ValueError("step spread: the motor carries no arm")
    pairs = motor.pole_pairs
    hang = shaft_at_reading(motor, arm.hang_reading_rad)
    at_hang = sense * (pairs * hang + motor.electrical_offset_rad - axis_rad)
    start = round(at_hang / (tau / 6.0))
    number = np.arange(-VECTORS, VECTORS + 1)
    shaft = hang + sense * ((start + number) * tau / 6.0 - at_hang) / pairs
    readings = np.unwrap([reading_rad(motor, float(theta)) for theta in shaft])
    departures = readings - np.polynomial.Polynomial.fit(number, readings, 1)(number)
    return float(np.sqrt(np.mean(departures**2)))


def distinct_codes(noise_rad: float, bits: int) -> float:
    """Expected number of different codes among the readings, averaged over where in a code the shaft rests."""
    sigma = noise_rad / tau * (1 << bits)
    places = 32
    reach = int(6.0 * sigma) + 2
    total = 0.0
    for place in range(places):
        centre = (place + 0.5) / places - 0.5
        for code in range(-reach, reach + 1):
            share = _below((code + 0.5 - centre) / sigma) - _below((code - 0.5 - centre) / sigma)
            total += 1.0 - (1.0 - share) ** READINGS
    return total / places


def _below(z: float) -> float:
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))


def misalignment_cosine(motor: MotorParameters, offset_rad: float) -> float:
    """Mean over the turn of the cosine between the loop's field and the quadrature that it should have."""
    places = 96
    total = 0.0
    for k in range(places):
        theta = tau * k / places
        assumed = motor.pole_pairs * reading_rad(motor, theta) + offset_rad
        true = motor.pole_pairs * theta + motor.electrical_offset_rad
        total += cos(assumed - true)
    return total / places


def of_motor(bench: KnownBench, name: str) -> Values:
    """Values of one motor; its offset by whole turns near to what the rig file says."""
    about_rad = float(bench.rig["motor"][name]["electrical_offset_rad"]["value"])
    on_ohm = bench.parameters.driver.on_resistance_ohm
    return commutation(bench.motor(name), on_ohm, bench.still(name), bench.firmware, about_rad)


TRUTH = Truth(of_motor=of_motor)
