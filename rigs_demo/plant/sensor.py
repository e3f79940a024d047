"""Absolute magnetic angle sensor: a bus word and a pulse-width output of the same magnet.

    reading = direction * theta + e1 sin(theta - p1) + e2 sin(2 theta - p2) + noise       (one turn = 2 pi)

A magnet off the axis errs once a turn, a tilted one twice (textbooks on encoders). The bus word has 15 bits of angle
from bit 15 down; bit 0 makes its ones odd in number, so that neither a line held low nor one held high passes for a
reading, and even where the sensor doubts its own. A pulse-width frame is 4160 clocks: 32 high, one more high for each
code of 4096, the rest low; its angle is taken at its start.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sin, tau

from rigs_demo.plant.parameters import MotorParameters
from rigs_demo.streams import stream_of

ANGLE_BITS = 15
PULSE_CODES = 4096
PULSE_CLOCKS = 4160
PULSE_HEADER = 32


def reading_rad(motor: MotorParameters, theta_rad: float) -> float:
    """What a noiseless sensor reads at a shaft angle, not wrapped."""
    sensor = motor.sensor
    return (
        motor.direction * theta_rad
        + sensor.eccentricity_rad * sin(theta_rad - sensor.eccentricity_phase_rad)
        + sensor.tilt_rad * sin(2.0 * theta_rad - sensor.tilt_phase_rad)
    )


def shaft_at_reading(motor: MotorParameters, reading: float) -> float:
    """Shaft angle at which a noiseless sensor shows `reading` (its errors are far below a radian)."""
    theta = motor.direction * reading
    for _ in range(30):
        theta += motor.direction * (reading - reading_rad(motor, theta))
    return theta


def with_parity(word: int) -> int:
    """A word whose bit 0 is clear, with odd parity in it."""
    return word | (word.bit_count() + 1) & 1


class Sensor:
    """One sensor; `theta_at` gives the shaft angle at a time in nanoseconds."""

    __slots__ = ("_bus_noise", "_counts", "_motor", "_pulse_key", "_theta_at", "error")

    def __init__(self, motor: MotorParameters, name: str, seed: int, theta_at: Callable[[int], float]) -> None:
        self._motor = motor
        self._counts = 1 << motor.sensor.bits
        self._theta_at = theta_at
        self._bus_noise = stream_of(f"run {seed} sensor {name}")
        self._pulse_key = f"run {seed} pulse {name}"
        self.error = False

    def word(self, t_ns: int) -> int:
        """The bus word latched at a time."""
        sensor = self._motor.sensor
        theta = self._theta_at(t_ns - round(sensor.latency_s * 1e9))
        reading = reading_rad(self._motor, theta) + self._bus_noise.gauss(0.0, sensor.noise_rad)
        code = round(reading / tau * self._counts) % self._counts
        return with_parity(code << ANGLE_BITS - sensor.bits + 1) ^ self.error

    def pulse(self, t_ns: int) -> tuple[int, int, int]:
        """(start of the high part, its length, frame period) in ns, of the frame that is on at a time."""
        sensor = self._motor.sensor
        period = round(sensor.pulse_period_s * 1e9)
        frame = t_ns // period
        rising = frame * period
        theta = self._theta_at(rising - round(sensor.pulse_latency_s * 1e9))
        # Noise belongs to the frame: however often it is looked at, it stays the same.
        noise = stream_of(f"{self._pulse_key} {frame}").gauss(0.0, sensor.pulse_noise_rad)
        counts = 1 << sensor.pulse_bits
        code = round((reading_rad(self._motor, theta) + noise) / tau * counts) % counts
        clocks = PULSE_HEADER + code * (PULSE_CODES // counts)
        return rising, period * clocks // PULSE_CLOCKS, period
