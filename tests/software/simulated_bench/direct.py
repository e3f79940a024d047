"""A simulated bench in this process, without sockets, on a plant that only writes down what the board does to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

from rigs_demo.board.board import SimulatedBoard
from rigs_demo.board.hardware import Hardware
from rigs_demo.board.wiring import Wiring
from rigs_demo.clock import Bench

MS = 1_000_000
RAW = b"raw REPL; CTRL-B to exit\r\n>"
WIRING = Wiring.of(
    {
        "motor": {
            "leaf": {"phase_pins": [0, 1, 2], "enable_pin": 6},
            "wheel": {"phase_pins": [3, 4, 5], "enable_pin": 7},
        }
    }
)


@dataclass
class Notes:
    """A plant that turns nothing: it keeps what was written, and its sensor counts microseconds."""

    time_ns: int = 0
    duty: dict[tuple[int, int], float] = field(default_factory=dict)
    enabled: dict[int, bool] = field(default_factory=dict)
    changes: list[tuple[int, str, int, float]] = field(default_factory=list)

    def advance_to(self, t_ns: int) -> None:
        self.time_ns = max(self.time_ns, t_ns)

    def set_duty(self, motor: int, phase: int, duty: float) -> None:
        self.duty[motor, phase] = duty
        self.changes.append((self.time_ns, "duty", motor * 3 + phase, duty))

    def set_enabled(self, motor: int, enabled: bool) -> None:
        self.enabled[motor] = enabled
        self.changes.append((self.time_ns, "enable", motor, float(enabled)))

    def sensor_word(self, motor: int, t_ns: int) -> int:
        return t_ns // 1000 & 0x3FFF

    def sensor_pulse(self, motor: int, t_ns: int) -> tuple[int, int, int]:
        return t_ns // MS * MS + 100_000, 250_000, MS  # high from 0.1 to 0.35 ms of every millisecond

    def driver_temperature_c(self) -> float:
        return 25.0


class Direct:
    """The bench with a host's hands: type, run, read."""

    def __init__(self, files: Mapping[str, str], cost_permille: int) -> None:
        self.plant = Notes()
        self.board = SimulatedBoard(Hardware(self.plant, WIRING), files, name="test", cost_permille=cost_permille)
        self.bench = Bench(self.plant, self.board)
        self.output = b""
        self.board.line.send = self._send  # type: ignore[method-assign]

    def _send(self, data: bytes) -> None:
        self.board.line.put += len(data)
        self.output += data

    def type(self, data: bytes) -> None:
        """The host has sent `data`."""
        self.board._input += data

    def run_ms(self, duration_ms: float) -> str:
        """Run for a time; the reason why it ended."""
        return str(self.bench.run(self.bench.now_ns + round(duration_ms * MS)))

    def until(self, end: bytes, within_ms: float = 5000.0) -> bytes:
        """Run until the board's unread output ends so; takes that output."""
        limit = self.bench.now_ns + round(within_ms * MS)
        while not self.output.endswith(end) and self.bench.now_ns < limit:
            self.bench.run(limit, self.board.line.put)
        found, self.output = self.output, b""
        assert found.endswith(end), found
        return found

    def raw(self) -> None:
        """Into the raw prompt."""
        self.type(b"\r\x03\x01")
        self.until(RAW)

    def start(self, source: str) -> None:
        """Start a script; its output follows."""
        self.type(source.encode() + b"\x04")

    def execute(self, source: str, within_ms: float = 5000.0) -> str:
        """Run a script to its end: what it printed. An error on the board fails the test."""
        self.start(source)
        printed, error, _ = self.until(b"\x04>", within_ms).split(b"\x04")
        assert not error, error.decode()
        return printed.removeprefix(b"OK").decode().replace("\r\n", "\n")


@contextmanager
def direct(files: Mapping[str, str] | None = None, cost_permille: int = 1000) -> Iterator[Direct]:
    """A bench whose board has come up."""
    bench = Direct(files or {}, cost_permille)
    try:
        bench.bench.start()
        yield bench
    finally:
        bench.board.close()
