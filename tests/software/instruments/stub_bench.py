"""A bench without board or physics: constant voltages and currents, and a clock that jumps when run.

Serves the demo rig's instruments from a thread of a test, or alone (`python -m tests.software.instruments.stub_bench`),
so that a test can kill its host and look at the supply afterwards.
"""

from __future__ import annotations

import json
import selectors
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from rigs_demo.instruments import ScpiServer, build_instruments

RIG = {
    "motor": {"leaf": {}, "wheel": {}},
    "instrument": {
        "supply": {
            "class": "supply",
            "voltage_accuracy": {"percent": 0.05, "offset": 0.005},
            "current_accuracy": {"percent": 0.15, "offset": 0.0008},
        },
        "meter": {
            "class": "multimeter",
            "across": ["wheel.B", "wheel.C"],
            "voltage_accuracy": {"percent": 0.03, "offset": 0.002},
        },
        "thermometer": {"class": "thermometer", "temperature_accuracy": {"percent": 0.0, "offset": 0.5}},
    },
}

LOAD_OHM = 20.0
TERMINALS_V = ((1.0, 2.0, -3.0), (4.0, 5.0, -9.0))
GRID_NS = 100_000


@dataclass(frozen=True, slots=True)
class StubIntegrals:
    time_ns: int
    supply_voltage_v_s: float
    supply_current_a_s: float
    terminal_v_s: tuple[tuple[float, ...], ...]


@dataclass(slots=True)
class StubSupply:
    """A supply stage with one resistor on it."""

    voltage_v: float = 0.0
    current_limit_a: float = 0.0
    protection_v: float = 35.0
    on: bool = False
    tripped: bool = False
    history: list[str] = field(default_factory=list)

    @property
    def state(self) -> str:
        if self.tripped:
            return "tripped"
        if not self.on:
            return "off"
        return "cc" if self.voltage_v / LOAD_OHM > self.current_limit_a else "cv"

    def set_voltage_v(self, voltage_v: float) -> None:
        self.voltage_v = voltage_v
        self._protect()

    def set_current_limit_a(self, current_limit_a: float) -> None:
        self.current_limit_a = current_limit_a

    def set_protection_v(self, protection_v: float) -> None:
        self.protection_v = protection_v
        self._protect()

    def set_output(self, on: bool) -> None:
        self.history.append("on" if on else "off")
        self.on = on
        self._protect()

    def clear_protection(self) -> None:
        self.tripped = False

    def _protect(self) -> None:
        if self.on and self.voltage_v > self.protection_v:
            self.on, self.tripped = False, True

    @property
    def output(self) -> tuple[float, float]:
        """Volts and amperes now."""
        match self.state:
            case "cv":
                return self.voltage_v, self.voltage_v / LOAD_OHM
            case "cc":
                return self.current_limit_a * LOAD_OHM, self.current_limit_a
        return 0.0, 0.0


class StubPlant:
    def __init__(self) -> None:
        self.supply = StubSupply()
        self.terminals_v: tuple[tuple[float, ...], ...] = TERMINALS_V
        self.time_ns = 0
        self._volt_seconds = self._ampere_seconds = 0.0
        self._terminal_v_s = [[0.0] * 3, [0.0] * 3]

    def integrals(self) -> StubIntegrals:
        return StubIntegrals(
            self.time_ns, self._volt_seconds, self._ampere_seconds, tuple(tuple(motor) for motor in self._terminal_v_s)
        )

    def room_temperature_c(self) -> float:
        return 21.0

    def advance(self, duration_ns: int) -> None:
        """Whole grid steps only, as the plant does."""
        steps_ns = duration_ns // GRID_NS * GRID_NS
        self.time_ns += steps_ns
        seconds = steps_ns * 1e-9
        volts, amperes = self.supply.output
        self._volt_seconds += volts * seconds
        self._ampere_seconds += amperes * seconds
        for total, now in zip(self._terminal_v_s, self.terminals_v, strict=True):
            for pair in range(3):
                total[pair] += now[pair] * seconds


class StubBench:
    def __init__(self) -> None:
        self.plant = StubPlant()
        self.ran_ns = 0

    def run_for(self, duration_ns: int) -> None:
        self.ran_ns += duration_ns
        self.plant.advance(duration_ns)


def serve_until(stop: threading.Event, servers: dict[str, ScpiServer]) -> None:
    """The bench's main loop, as short as it can be."""
    while not stop.wait(0):
        with selectors.DefaultSelector() as selector:
            for server in servers.values():
                for endpoint in server.sockets():
                    selector.register(endpoint, selectors.EVENT_READ)
            ready = [key.fileobj for key, _ in selector.select(0.02)]
        for server in servers.values():
            server.serve(ready)


@contextmanager
def served(*, plant_seed: int | None = None, seed: int = 1) -> Iterator[tuple[StubBench, dict[str, ScpiServer]]]:
    """The demo rig's instruments, served by a thread."""
    bench = StubBench()
    servers = build_instruments(RIG, bench, plant_seed=plant_seed, seed=seed)
    stop = threading.Event()
    thread = threading.Thread(target=serve_until, args=(stop, servers))
    thread.start()
    try:
        yield bench, servers
    finally:
        stop.set()
        thread.join(5.0)
        for server in servers.values():
            server.close()


def main() -> None:
    """Print the addresses as JSON, serve until standard input ends."""
    stop = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    servers = build_instruments(RIG, StubBench(), plant_seed=None, seed=1)
    sys.stdout.write(json.dumps({name: server.address for name, server in servers.items()}) + "\n")
    sys.stdout.flush()
    serve_until(stop, servers)


if __name__ == "__main__":
    main()
