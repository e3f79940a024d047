"""A motor that is heated, by an integration of its own, where the service on the board stands.

Three phases in one housing, whatever the housing stands on, a room that may drift, and a bridge that warms: none of it
is the harness's model or the simulated bench's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, Self

import numpy as np

from harness.checks.thermal.heating import HeatingService
from harness.checks.thermal.stimulus import CURRENT_A
from harness.rigfile import RigSpec

VOLTS, ON_OHM, DEAD_S, CARRIER_HZ, IDLE_A = 12.0, 0.25, 150e-9, 20e3, 0.045
K = 235.0
STEP_S = 1.0
READING_S = 0.012


@dataclass(kw_only=True)
class Body:
    """What is heated: two motor nodes of 2.46 and 8.8 K/W, 11.4 and 46.5 J/K, and what the housing stands on."""

    ohm: float = 5.64
    winding_k_w: float = 2.46
    housing_k_w: float = 8.8
    winding_j_k: float = 11.4
    housing_j_k: float = 46.5
    bent: float = 0.0
    """Part of the cooling that grows with the quarter power of the rise."""
    bent_from_k: float = 38.5
    """Rise of the housing at which that part is as strong as stated."""
    plate_k_w: float = 0.0
    """From the housing to a plate; 0: no plate."""
    plate_j_k: float = 0.0
    plate_room_k_w: float = 4.0
    room_c: float = 21.0
    room_k_s: float = 0.0
    warm_k: float = 0.0
    """Of earlier work, all of it."""
    idle_hot_a: float = 0.0
    """What the bridge draws more at the driver's final temperature."""
    driver_s: float = 40.0
    driver_k: float = 4.0

    def change(self, state: Sequence[float], amperes: float, room_c: float) -> list[float]:
        """K/s of the idle phase, the two heated ones, the housing, the plate; last the driver's temperature."""
        a, b, housing, plate, driver = state
        r, c = 3.0 * self.winding_k_w, self.winding_j_k / 3.0
        watts = amperes**2 * self.ohm * (K + b) / (K + 20.0)
        rise = housing - room_c
        stronger = (max(rise, 0.0) / self.bent_from_k) ** 0.25 if self.bent else 1.0
        out = rise / self.housing_k_w * (1.0 - self.bent + self.bent * stronger)
        away = (housing - plate) / self.plate_k_w if self.plate_k_w else 0.0
        return [
            (housing - a) / r / c,
            (watts - (b - housing) / r) / c,
            ((a + 2.0 * b - 3.0 * housing) / r - out - away) / self.housing_j_k,
            (away - (plate - room_c) / self.plate_room_k_w) / self.plate_j_k if self.plate_k_w else 0.0,
            (self.driver_k * (amperes / CURRENT_A) ** 2 - (driver - room_c)) / self.driver_s,
        ]

    def final_k(self) -> float:
        """Rise of the heated phases at CURRENT_A in a room of 20 degC, by iterating the balance of heat."""
        rise = 0.0
        for _ in range(400):
            watts = CURRENT_A**2 * self.ohm * (K + 20.0 + rise) / (K + 20.0)
            low, high = 0.0, 400.0
            while high - low > 1e-9:
                middle = (low + high) / 2.0
                stronger = (middle / self.bent_from_k) ** 0.25 if self.bent else 1.0
                out = middle / self.housing_k_w * (1.0 - self.bent + self.bent * stronger)
                out += middle / (self.plate_k_w + self.plate_room_k_w) if self.plate_k_w else 0.0
                low, high = (middle, high) if out < 2.0 * watts else (low, middle)
            rise = low + 3.0 * self.winding_k_w * watts
        return rise


@dataclass(kw_only=True)
class Clock:
    """Time that moves where it is told to."""

    bench: Any = None
    now: float = 0.0

    def now_s(self) -> float:
        return self.now

    def sleep_s(self, seconds: float) -> None:
        self.bench.advance(seconds)


@dataclass(kw_only=True)
class HeatedBench:
    """A body, its bridge and instruments, and as much of a rig as the procedure asks for."""

    body: Body
    spec: RigSpec
    seed: int = 1
    noise_a: float = 5e-5
    noise_v: float = 3e-4
    most_s: float = 1e9
    clock: Clock = field(default_factory=Clock)
    kept: list[Any] = field(default_factory=list)
    duty: float = 0.0

    def __post_init__(self) -> None:
        self.clock.bench = self
        self.rng = np.random.default_rng(self.seed)
        warm = self.body.room_c + self.body.warm_k
        self.state = [warm, warm, warm, self.body.room_c, self.body.room_c]
        self.declared = {"leaf": SimpleNamespace(dead_time_s=DEAD_S, carrier_hz=CARRIER_HZ, max_static_duty=1.0)}
        self.thermometer = SimpleNamespace(measure_temperature=lambda: SimpleNamespace(value=self.room_c))

    @property
    def room_c(self) -> float:
        return self.body.room_c + self.body.room_k_s * self.clock.now

    @property
    def amperes(self) -> float:
        left = self.duty - 2.0 * DEAD_S * CARRIER_HZ
        ohm = self.body.ohm * (K + self.state[1]) / (K + 20.0)
        return max(left, 0.0) * VOLTS / (2.0 * (ohm + ON_OHM))

    def watch(self) -> None:
        pass

    def pass_time(self, seconds: float) -> None:
        self.clock.sleep_s(seconds)

    def advance(self, seconds: float) -> None:
        """By Heun's method."""
        left = max(seconds, 0.0)
        while left > 1e-9:
            step = min(left, STEP_S)
            first = self.body.change(self.state, self.amperes, self.room_c)
            middle = [x + step * d for x, d in zip(self.state, first, strict=True)]
            second = self.body.change(middle, self.amperes, self.room_c)
            self.state = [x + step * (d + e) / 2.0 for x, d, e in zip(self.state, first, second, strict=True)]
            self.clock.now += step
            left -= step

    def supply_a(self) -> float:
        self.advance(READING_S)
        hot = (self.state[4] - self.room_c) / self.body.driver_k
        drawn = self.amperes * (self.duty - 2.0 * DEAD_S * CARRIER_HZ) if self.duty else 0.0
        return float(drawn + IDLE_A + self.body.idle_hot_a * hot + self.rng.normal(0.0, self.noise_a))

    def volts(self) -> float:
        self.advance(READING_S)
        ohm = self.body.ohm * (K + self.state[1]) / (K + 20.0)
        return float(2.0 * ohm * self.amperes + self.rng.normal(0.0, self.noise_v))

    def check_limits(self, **_: float) -> None:
        """Nobody watches."""

    def progress(self, *_: object, **__: object) -> None:
        """Nobody looks."""

    def keep(self, observation: Any) -> None:
        self.kept.append(observation)


class Service(HeatingService):
    """The service whose board is a HeatedBench."""

    def __init__(self, rig: HeatedBench, motor: str, dead_share: float, current_a: float) -> None:
        self.rig, self.motor = rig, motor  # type: ignore[assignment]
        self.bench = rig
        self._supply: Any = SimpleNamespace(measure_current=lambda: SimpleNamespace(value=rig.supply_a()))
        self._meter: Any = SimpleNamespace(measure_voltage=lambda: SimpleNamespace(value=rig.volts()))
        self._phases = (1, 2)
        self._dead_share, self._current_a = dead_share, current_a
        self._largest, self._first = 1.0, 0.1
        self._outstanding = 0
        self.difference = self.idle_a = 0.0
        self.duties = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.bench.duty = 0.0

    def send(self, *orders: str) -> None:
        for order in orders:
            if order.startswith("d "):
                _, a, b, c, ramp_ms = order.split()
                del a
                share = 2.0 / 3.0 if self.difference > self.bench.duty else 1.0 / 3.0
                self.bench.advance(share * float(ramp_ms) / 1e3)
                self.bench.duty = (int(b) - int(c)) / 65535.0
                self.bench.advance((1.0 - share) * float(ramp_ms) / 1e3)

    def wait(self, seconds: float) -> None:
        self.bench.advance(seconds)

    def driver_c(self) -> float | None:
        self.bench.advance(0.01)
        return round(self.bench.state[4] / 0.081 + self.bench.rng.normal(0.0, 0.3)) * 0.081
