"""A held arm under a slowly turned field, solved at rest from its balance of torques: a simulation for tests only.

Independent of the fit: the shaft's place is found by bisection of the torque itself, friction opposing the motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.nouns.observation import Column, Observation

COLUMNS = (("t", "s", 1e-6), ("count", "1", 1.0), ("age", "s", 1e-6), ("command", "1", 1.0), ("amplitude", "1", 1.0))
"""Of the rows of device_scripts/fields.py, as an observation names them."""
COUNTS = 32768
ROW_S = 4e-3
DTYPE = np.dtype([("t", "<u4"), ("count", "<u2"), ("age", "<u2"), ("command", "<i4"), ("amplitude", "<i2")])


EDGE = 0.4
STEP_S = 0.14


def ramp(reach: float) -> np.typing.NDArray[np.float64]:
    """From -reach to reach in steps of 60 degrees: speeding up over a part of the time, slowing down over as much."""
    rows = np.arange(round(2.0 * reach * STEP_S / ROW_S) + 1)
    at = rows / rows[-1]
    speed = np.minimum(np.minimum(at, 1.0 - at) / EDGE, 1.0)
    way = np.concatenate(([0.0], np.cumsum(speed[1:] + speed[:-1])))
    return reach * (2.0 * way / way[-1] - 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """One motor with its arm; torques in N m, angles in rad. `direction` -1 reverses the sense of the reading."""

    pole_pairs: int = 10
    direction: int = 1
    offset_rad: float = 0.8
    hang_rad: float = 2.0
    arm_n_m: float = 0.06
    full_n_m: float = 0.12
    """Largest torque of the field at amplitude 1."""
    friction_n_m: float = 0.002
    noise_rad: float = 4e-4
    eccentricity_rad: float = 0.0
    eccentricity_phase_rad: float = 0.0
    lag_s: float = 0.0
    """By which a reading is late, which no age tells."""
    edged: bool = False
    """Whether the field speeds up and slows down, in place of one speed: only so a lag is told from friction."""
    stuck: bool = False

    def place(self, field_rad: float, amplitude: float, sense: int, near_rad: float) -> float:
        """Shaft reading that the field holds, moving in `sense` of the reading, on the branch nearest `near_rad`."""
        if self.stuck:
            return self.hang_rad
        free = (field_rad - self.offset_rad) / (self.direction * self.pole_pairs)
        period = math.tau / self.pole_pairs
        free += period * round((near_rad - free) / period)
        low, high = free - period / 4.01, free + period / 4.01

        def pull(s: float) -> float:
            motor = self.full_n_m * amplitude * math.sin(self.pole_pairs * (free - s))
            return motor - self.arm_n_m * math.sin(s - self.hang_rad) - sense * self.friction_n_m

        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (middle, high) if pull(middle) > 0.0 else (low, middle)
        return low

    def observation(
        self,
        name: str,
        readings: np.typing.NDArray[np.float64],
        field: np.typing.NDArray[np.float64],
        level: float,
        random: np.random.Generator,
        **conditions: object,
    ) -> Observation:
        """Readings (rad) with the sensor's error, noise and quantisation, as the board sends them."""
        once = self.eccentricity_rad * np.sin(readings + self.eccentricity_phase_rad)
        noisy = readings + once + random.normal(0.0, self.noise_rad, readings.size)
        data = np.zeros(readings.size, DTYPE)
        data["t"] = np.arange(readings.size) * round(ROW_S * 1e6)
        data["count"] = np.round(noisy / math.tau * COUNTS).astype(np.int64) % COUNTS
        data["command"] = np.round(field / math.tau * 65536)
        data["amplitude"] = round(level * 32768)
        columns = tuple(Column(name=word, unit=unit, scale=scale) for word, unit, scale in COLUMNS)
        return Observation(name=name, columns=columns, data=data, conditions=conditions)

    def check(self, seed: int = 0, currents: tuple[float, float, float] = (0.3, 0.3, 0.3)) -> list[Observation]:
        """The whole check; `currents` of the pairs of vectors 0, 60 and 120 degrees over an idle 0.05 A."""
        random = np.random.default_rng(seed)
        vector = math.tau / 6.0
        hanging = self.direction * self.pole_pairs * self.hang_rad + self.offset_rad
        start = round(math.remainder(hanging, math.tau) / vector)
        made = []
        rest = np.full(260, self.hang_rad + 0.1 * self.friction_n_m / max(self.arm_n_m, 1e-6))
        for which in ("from_above", "from_below"):
            made.append(
                self.observation(
                    f"leaf.commutation.rest_{which}", rest + random.uniform(-2e-4, 2e-4), np.zeros(260), 0.0, random
                )
            )
        numbers = list(range(start - 3, start + 3))
        made.append(
            self.observation(
                "leaf.commutation.vectors",
                rest,
                np.zeros(260),
                0.6,
                random,
                amplitude=0.6,
                vectors=numbers,
                idle_a=0.05,
                current_a=[0.05 + currents[n % 3] + random.normal(0.0, 2e-5) for n in numbers],
            )
        )
        for label, amplitude, reach in (("large", 0.6, 6.4), ("small", 0.3, 3.4)):
            for way, ending in ((1, "up"), (-1, "down")):
                field = vector * (start + way * (ramp(reach) if self.edged else np.linspace(-reach, reach, 300)))
                sense = way * self.direction
                turned = (field - vector * start) / (self.direction * self.pole_pairs)
                shaft = np.asarray(
                    [self.place(f, amplitude, sense, self.hang_rad + x) for f, x in zip(field, turned, strict=True)]
                )
                t_s = np.arange(shaft.size) * ROW_S
                shaft = np.interp(t_s - self.lag_s, t_s, shaft)
                made.append(
                    self.observation(
                        f"leaf.commutation.{label}_{ending}", shaft, field, amplitude, random, centre=start
                    )
                )
        return made
