"""A little bench of its own: many motors with gravity arms at once, currents without inductance.

Independent of the simulated bench's plant and of every model: torque from the dq voltage equation at steady
current, Coulomb friction as an impulse that can only stop, semi-implicit steps of 0.25 ms. It carries out
the orders of the service `fields` and returns the rows that the service would send.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP_S = 2.5e-4
TURN = 32768


@dataclass(kw_only=True)
class ArmBench:
    """`n` benches drawn round one nominal one. Every array has n entries; angles in rad."""

    n: int
    seed: int = 1
    pole_pairs: float = 10.0
    direction: int = 1
    cogging_n_m: float = 0.7e-3
    cogging_periods: int = 120
    open_phase: bool = False
    truth: dict[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rng = self.rng = np.random.default_rng(self.seed)

        def about(value: float, percent: float) -> Array:
            return value * (1.0 + percent / 100.0 * rng.uniform(-1.0, 1.0, self.n))

        self.resistance = about(4.6, 2.0)
        self.on_resistance = about(0.25, 20.0)
        self.flux = about(6.6e-3, 3.0)
        self.supply_v = about(12.0, 0.5)
        self.dead = about(150e-9, 30.0) * 20e3
        self.mass = about(0.205, 0.3)
        self.length = about(0.030, 0.5)
        self.gravity = about(9.80665, 0.3)
        self.friction = about(2.1e-3, 50.0)
        self.viscous = about(1.3e-4, 50.0)
        self.inertia = about(4.6e-5, 15.0) + about(1e-5, 20.0) + self.mass * self.length**2
        self.offset = 0.8 + rng.uniform(-0.2, 0.2, self.n)
        self.hang = 2.0 + rng.uniform(-0.08, 0.08, self.n)
        self.eccentricity = rng.uniform(0.0, 7e-3, self.n)
        self.eccentricity_phase = rng.uniform(0, 2 * np.pi, self.n)
        self.tilt = 1e-3 * np.ones(self.n)
        self.tilt_phase = rng.uniform(0, 2 * np.pi, self.n)
        self.cogging_phase = rng.uniform(0, 2 * np.pi, self.n)
        self.noise = about(4e-4, 25.0)
        self.winding_c = 20.0 * np.ones(self.n)
        self.winding_j_k = about(13.5, 15.0)
        self.to_room_k_w = about(9.4, 10.0)
        self.gain = about(4.93, 0.5)
        self.clip = about(0.4, 0.5)
        self.firmware_offset = 0.8 * np.ones(self.n)
        self.shaft = self.hang + rng.uniform(-0.03, 0.03, self.n)
        self.speed = np.zeros(self.n)
        self.time_s = 0.0

    @property
    def mgl(self) -> Array:
        return self.mass * self.length * self.gravity

    @property
    def torque_constant(self) -> Array:
        return 1.5 * self.pole_pairs * self.flux

    def peak_torque(self, amplitude: float) -> Array:
        """Tmax of a field, at the temperature now; the bridge's dead time takes 4/pi of its volts."""
        volts = amplitude * self.supply_v / 2 - 4 / np.pi * self.dead * self.supply_v
        return self.torque_constant * volts / (self.resistance * self.hot + self.on_resistance)

    @property
    def hot(self) -> Array:
        return 1.0 + 0.00393 * (self.winding_c - 20.0)

    def read(self) -> NDArray[np.int64]:
        return np.mod(
            np.rint(
                (self.shaft + self.error(self.shaft) + self.noise * self.rng.standard_normal(self.n))
                * TURN
                / (2 * np.pi)
            ),
            TURN,
        ).astype(np.int64)

    def error(self, shaft: Array) -> Array:
        return self.eccentricity * np.sin(shaft + self.eccentricity_phase) + self.tilt * np.sin(
            2 * shaft + self.tilt_phase
        )

    def _advance(self, field_rad: Array | float, amplitude: Array | float, powered: bool = True) -> None:
        total = self.resistance * self.hot + self.on_resistance
        electrical = self.direction * (self.pole_pairs * self.shaft + self.offset)
        force = -self.mgl * np.sin(self.shaft - self.hang) - self.viscous * self.speed
        force -= self.cogging_n_m * np.sin(self.cogging_periods * self.shaft + self.cogging_phase)
        heat_w = -(self.winding_c - 20.0) / self.to_room_k_w
        if powered:
            volts = np.maximum(amplitude * self.supply_v / 2 - 4 / np.pi * self.dead * self.supply_v, 0.0)
            if self.open_phase:  # C is open: only the part along the axis between A and B is left
                axis = -np.pi / 6
                force += self.torque_constant * volts / total * np.cos(field_rad - axis) * np.sin(axis - electrical)
            else:
                force += self.direction * self.torque_constant * volts / total * np.sin(field_rad - electrical)
            force -= 1.5 * (self.pole_pairs * self.flux) ** 2 / total * self.speed
            heat_w += 1.5 * (volts / total) ** 2 * self.resistance * self.hot
        self.winding_c = self.winding_c + heat_w / self.winding_j_k * STEP_S
        speed = self.speed + force / self.inertia * STEP_S
        grip = self.friction / self.inertia * STEP_S
        self.speed = np.sign(speed) * np.maximum(np.abs(speed) - grip, 0.0)
        self.shaft = self.shaft + self.speed * STEP_S
        self.time_s += STEP_S

    def off(self, time_s: float) -> None:
        """Phases off for a while."""
        for _ in range(round(time_s / STEP_S)):
            self._advance(0.0, 0.0, powered=False)

    def field(
        self, angle: Array | float, amplitude: float, time_s: float, edge_s: float, every_s: float = 0.01
    ) -> Rows:
        """Order `f`: from where the field is to there; a row every `every_s`."""
        start, start_amplitude = getattr(self, "_field", (np.asarray(angle) + np.zeros(self.n), 0.0))
        rows = Rows()
        steps = max(1, round(time_s / STEP_S))
        each = round(every_s / STEP_S)
        for step in range(steps):
            part = profile((step + 1) / steps, min(edge_s / time_s, 0.5) if time_s else 0.5)
            now = start + (angle - start) * part
            level = start_amplitude + (amplitude - start_amplitude) * part
            self._advance(now, level)
            if (step + 1) % each == 0:
                rows.add(self.time_s, self.read(), now, level)
        self._field = (np.asarray(angle) + np.zeros(self.n), amplitude)
        return rows

    def loop(self, point: Array, time_s: float, edge_s: float, every_s: float = 0.01) -> Rows:
        """Order `p`: the firmware's loop, reading every 1 ms, with the set point (rad) moving there."""
        start = getattr(self, "_point", None)
        if start is None:
            start = self.read() * 2 * np.pi / TURN
        rows = Rows()
        steps = max(1, round(time_s / STEP_S))
        each = round(every_s / STEP_S)
        for step in range(steps):
            part = profile((step + 1) / steps, min(edge_s / time_s, 0.5))
            now = start + (point - start) * part
            if step % 4 == 0:
                reading = self.read() * 2 * np.pi / TURN
                demand = np.clip(self.gain * wrap(now - reading), -self.clip, self.clip)
                angle = 10 * reading + self.firmware_offset + np.where(demand > 0, np.pi / 2, -np.pi / 2)
            self._advance(angle, np.abs(demand))
            if (step + 1) % each == 0:
                rows.add(self.time_s, self.read(), now, 0.0)
        self._point = point + np.zeros(self.n)
        return rows

    def supply_current(self, amplitude: float) -> Array:
        """Above idle, while a field stands."""
        volts = amplitude * self.supply_v / 2 - 4 / np.pi * self.dead * self.supply_v
        current = volts / (self.resistance * self.hot + self.on_resistance)
        return current * (0.75 * amplitude - 6 / np.pi * self.dead)


@dataclass(slots=True)
class Rows:
    """Rows of a service, one column a bench."""

    t: list[float] = field(default_factory=list)
    count: list[NDArray[np.int64]] = field(default_factory=list)
    command: list[Array] = field(default_factory=list)
    amplitude: list[Array | float] = field(default_factory=list)

    def add(self, t: float, count: NDArray[np.int64], command: Array, amplitude: Array | float) -> None:
        self.t.append(t)
        self.count.append(count)
        self.command.append(command + np.zeros_like(count))
        self.amplitude.append(amplitude + np.zeros_like(command))


def profile(x: float, edge: float) -> float:
    """Part of the way at part `x` of the time; speed goes up and down as 3 u^2 - 2 u^3 within `edge` of the time."""
    edge = max(edge, 1e-9)
    if x > 0.5:
        return 1.0 - profile(1.0 - x, edge)
    u = min(x / edge, 1.0)
    return (edge * (u**3 - u**4 / 2) + max(x - edge, 0.0)) / (1.0 - edge)


def wrap(angle: Array) -> Array:
    """Into -pi to pi."""
    return np.asarray((angle + np.pi) % (2 * np.pi) - np.pi)
