"""What an instrument of the simulated bench is wired to, and how it reads wrong.

An instrument sees only what a real one connected there could: the supply its own terminals, the multimeter
two terminals of a motor, the thermometer the air. Its reading is off by a gain and an offset that stay the
same for one plant seed (fresh errors at every reading would average out), plus noise of its own stream.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from rigs_demo.streams import stream_of

from .errors import ScpiError

NS_PER_S = 1_000_000_000


class Integrals(Protocol):
    """Cumulative integrals since the plant began, at the last grid step it has taken."""

    @property
    def time_ns(self) -> int: ...
    @property
    def supply_voltage_v_s(self) -> float: ...
    @property
    def supply_current_a_s(self) -> float: ...
    @property
    def terminal_v_s(self) -> Sequence[Sequence[float]]:
        """For each motor: A-B, B-C, C-A."""
        ...


class SupplyStage(Protocol):
    """The supply's power stage, as its front panel works it."""

    @property
    def state(self) -> str:
        """`off`, `cv`, `cc` or `tripped`."""
        ...

    def set_voltage_v(self, voltage_v: float) -> None: ...
    def set_current_limit_a(self, current_limit_a: float) -> None: ...
    def set_protection_v(self, protection_v: float) -> None: ...
    def set_output(self, on: bool) -> None: ...
    def clear_protection(self) -> None: ...


class Plant(Protocol):
    """As much of the plant as instruments touch."""

    @property
    def supply(self) -> SupplyStage: ...
    def integrals(self) -> Integrals: ...
    def room_temperature_c(self) -> float: ...


class Bench(Protocol):
    """Who owns the clock."""

    @property
    def plant(self) -> Plant: ...
    def run_for(self, duration_ns: int) -> None:
        """Let board and plant run for a duration while the host waits for a reply."""
        ...


def average(bench: Bench, aperture_s: float, pick: Callable[[Integrals], float]) -> float:
    """Run the clock for the aperture and return the mean over it of what `pick` finds the integral of."""
    before = bench.plant.integrals()
    bench.run_for(round(aperture_s * NS_PER_S))
    after = bench.plant.integrals()
    elapsed_ns = after.time_ns - before.time_ns
    if elapsed_ns <= 0:
        raise ScpiError(-230, "the bench's clock stood still")
    return (pick(after) - pick(before)) * NS_PER_S / elapsed_ns


@dataclass(slots=True, kw_only=True)
class ReadingError:
    """How one function of one instrument reads wrong: `reading = true * (1 + gain) + offset + noise`."""

    gain: float
    offset: float
    noise: float
    """Standard deviation of one reading, in the unit read, at one power line cycle."""
    resolution: float
    stream: random.Random

    def read(self, true: float, cycles: float = 1.0) -> float:
        """A reading of `true` over some power line cycles: white noise falls with the root of the aperture."""
        noisy = true * (1.0 + self.gain) + self.offset + self.stream.gauss(0.0, self.noise / cycles**0.5)
        return round(noisy / self.resolution) * self.resolution


@dataclass(frozen=True, slots=True, kw_only=True)
class Seeds:
    """`plant` fixes gains and offsets (None: the nominal plant's), `run` fixes the noise."""

    plant: int | None
    run: int

    def reading_error(
        self, instrument: str, function: str, accuracy: Mapping[str, float], *, noise: float, resolution: float
    ) -> ReadingError:
        """Draw gain and offset evenly from the half-widths of the rig file's accuracy entry {percent, offset}."""
        owner = f"{instrument}.{function}"
        drawn = stream_of(f"plant {'nominal' if self.plant is None else self.plant} {owner}")
        gain = drawn.uniform(-1.0, 1.0) * accuracy.get("percent", 0.0) / 100.0
        offset = drawn.uniform(-1.0, 1.0) * accuracy.get("offset", 0.0)
        stream = stream_of(f"run {self.run} {owner}")
        return ReadingError(gain=gain, offset=offset, noise=noise, resolution=resolution, stream=stream)
