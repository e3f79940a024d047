"""A small simulation of a position loop on a gravity arm, for tests of the analysis only.

Written apart from the simulated bench and from the models, so that the three can disagree. Many plants
run side by side as numpy arrays. Steps of 50 us; Coulomb friction by an impulse that can stop the
shaft but not turn it round (time stepping with a set-valued friction law).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP_S = 50e-6
COUNTS = 32768


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopPlants:
    """Plants side by side; every entry is a scalar or an array with one value a plant."""

    inertia: Array
    resistance: Array
    inductance: Array
    torque_constant: Array  # N m per ampere of q current
    viscous: Array
    coulomb: Array
    arm: Array  # m g l
    hang: Array
    half_supply: Array
    gain: Array
    clip: Array
    latency_s: Array
    age_s: Array
    noise: Array
    cogging: Array
    dead_voltage: Array = field(default_factory=lambda: np.array(0.0))
    extra_output_delay: int = 0  # whole passes; the trace shows the demand put out
    stale_reading: int = 0  # whole passes; the trace shows the present instant


def run(
    plants: LoopPlants, targets: Array, period_s: float, seed: int, cogging_per_turn: int = 240
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Targets: (passes,) offsets from hang in rad. Returns ticks_us (passes,), count and demand (passes, plants)."""
    random = np.random.default_rng(seed)
    n = plants.inertia.size
    per_pass = round(period_s / STEP_S)
    passes = targets.shape[0]
    angle = plants.hang + random.uniform(-0.5, 0.5, n) * plants.coulomb / plants.arm
    phase = random.uniform(0, 2 * np.pi, n)
    speed = np.zeros(n)
    current = np.zeros(n)
    volts = np.zeros(n)
    age_steps = np.round(plants.age_s / STEP_S).astype(int) * np.ones(n, dtype=int)
    late_steps = np.round(plants.latency_s / STEP_S).astype(int) * np.ones(n, dtype=int)
    history = [angle.copy() for _ in range(1 + int(age_steps.max()))]
    counts = np.zeros((passes, n), dtype=np.int64)
    demands = np.zeros((passes, n), dtype=np.int64)
    ticks = np.arange(passes) * round(period_s * 1e6) + random.integers(0, 3, passes)
    flux_speed = plants.torque_constant / 1.5
    friction_step = plants.coulomb * STEP_S / plants.inertia
    columns = np.arange(n)
    readings: list[NDArray[np.int64]] = []
    wanted: list[Array] = []
    for k in range(passes):
        seen = np.array(history)[len(history) - 1 - age_steps, columns] + random.normal(0, 1, n) * plants.noise
        readings.append(np.round(seen / (2 * np.pi) * COUNTS).astype(np.int64))
        count = readings[max(0, k - plants.stale_reading)]
        target = np.round((plants.hang + targets[k]) / (2 * np.pi) * COUNTS)
        wanted.append(np.clip((target - count) * plants.gain * 2 * np.pi / COUNTS, -plants.clip, plants.clip))
        effective = wanted[max(0, k - plants.extra_output_delay)]
        counts[k] = count
        demands[k] = np.round(effective * 32768)
        for i in range(per_pass):
            volts = np.where(i == late_steps, effective * plants.half_supply, volts)
            emf = flux_speed * speed
            drop = plants.dead_voltage * np.clip(current / 0.01, -1, 1)
            current = current + STEP_S / plants.inductance * (volts - emf - drop - plants.resistance * current)
            torque = plants.torque_constant * current - plants.arm * np.sin(angle - plants.hang)
            torque = torque - plants.viscous * speed + plants.cogging * np.sin(cogging_per_turn * angle + phase)
            speed = speed + STEP_S / plants.inertia * torque
            speed = np.sign(speed) * np.maximum(np.abs(speed) - friction_step, 0.0)
            angle = angle + STEP_S * speed
            history.append(angle.copy())
            history.pop(0)
    return ticks, counts, demands


def draw(n: int, seed: int, **fixed: object) -> LoopPlants:
    """Plants drawn about a small outer-rotor motor with a gravity arm. Invented numbers."""
    random = np.random.default_rng(seed)

    def spread(value: float, relative: float) -> Array:
        return value * (1.0 + relative * random.uniform(-1, 1, n))

    flux = spread(6.6e-3, 0.03)
    mass_arm = spread(0.205 * 9.80665 * 0.03, 0.006)
    values: dict[str, object] = {
        "inertia": spread(4.6e-5, 0.15) + 0.205 * 0.03**2 + spread(1.0e-5, 0.2),
        "resistance": spread(4.85, 0.02),
        "inductance": spread(1.3e-3, 0.15),
        "torque_constant": 1.5 * 10 * flux,
        "viscous": spread(1.3e-4, 0.5),
        "coulomb": spread(2.1e-3, 0.5),
        "arm": mass_arm,
        "hang": random.uniform(1.9, 2.1, n),
        "half_supply": spread(6.0, 0.005),
        "gain": np.full(n, 4.93),
        "clip": np.full(n, 0.4),
        "latency_s": random.integers(3, 10, n) * STEP_S,
        "age_s": random.integers(1, 4, n) * STEP_S,
        "noise": spread(4.0e-4, 0.25),
        "cogging": np.full(n, 0.5e-3),
        "dead_voltage": np.full(n, 0.036 * 4 / np.pi),
    }
    values.update(fixed)
    return LoopPlants(**values)  # type: ignore[arg-type]
