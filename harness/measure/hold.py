"""A motor held by a field or by its loop, moved along slow ramps: the host's side of device_scripts/fields.py."""

from __future__ import annotations

import math
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.bench.stops import stopped
from harness.contract import FULL_AMPLITUDE, FULL_TURN
from harness.errors import DeviceError, MeasurementError
from harness.link.frames import Event, Rows
from harness.observation import Column, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

COLUMNS = (("t", "s", 1e-6), ("count", "1", 1.0), ("age", "s", 1e-6), ("command", "1", 1.0), ("amplitude", "1", 1.0))


class Hold:
    """The service on one motor; a context manager that ends it with the phases off."""

    def __init__(self, rig: Rig, motor: str, *, sample_ms: int = 10) -> None:
        self.rig, self.motor = rig, motor
        self.turn = rig.declared[motor].counts_per_turn
        self._run = rig.script("fields", "serve", motor=rig.index(motor), sample_ms=sample_ms)
        self._rows: list[NDArray[np.void]] = []
        self.slipped: float | None = None
        """Amplitude at the last slip, 0 to 1."""

    def __enter__(self) -> Hold:
        self._run.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                self._run.send(b"q")
                while self._next(2.0) is not None:
                    pass
        finally:
            self._run.__exit__(kind, error, trace)

    def _next(self, timeout_s: float) -> Rows | Event | None:
        try:
            return self._run.next_frame(timeout_s)
        except DeviceError as error:
            last = (error.board_traceback.strip().splitlines() or [""])[-1]
            if "Stop:" in last:
                raise stopped(last.partition("Stop:")[2].strip()) from error
            raise

    def _order(self, words: str, seconds: float) -> None:
        """Send an order and take rows until it is done."""
        self._run.send(words.encode())
        while True:
            frame = self._next(seconds + 3.0)
            if frame is None:
                raise MeasurementError(f"{self.motor}: the service on the board ended before `{words}` was done")
            if isinstance(frame, Rows):
                self._rows.append(frame.data)
            elif frame.name == "slip":
                self.slipped = int(str(frame.value)) / FULL_AMPLITUDE
            elif frame.name == "done":
                return

    def field(
        self, electrical_rad: float, amplitude: float, seconds: float, edge_s: float = 0.1, slip_rad: float = 0.0
    ) -> None:
        """Bring the field there along a smooth ramp; with `slip_rad`, let go when the shaft moves more than that."""
        angle = round(electrical_rad / math.tau * FULL_TURN)
        slip = round(slip_rad / math.tau * self.turn)
        level = round(amplitude * FULL_AMPLITUDE)
        self._order(f"f {angle} {level} {round(seconds * 1e3)} {round(edge_s * 1e3)} {slip}", seconds)

    def close_loop(self) -> None:
        """Start the firmware's loop where the shaft stands."""
        self._run.send(b"l")
        self.wait(0.1)

    def set_point(self, count: int, seconds: float, edge_s: float = 0.1) -> None:
        """Bring the set point (counted through) there along a smooth ramp."""
        self._order(f"p {count} {round(seconds * 1e3)} {round(edge_s * 1e3)}", seconds)

    def wait(self, seconds: float) -> None:
        """Hold still."""
        self._order(f"w {max(2, round(seconds * 1e3))}", seconds)

    def sample(self, period_s: float) -> None:
        """A row every `period_s` from now on; 0: none."""
        self._run.send(f"s {round(period_s * 1e3)}".encode())

    def off(self) -> None:
        """Phases off."""
        self._run.send(b"o")
        self.wait(0.02)

    def take(self, name: str, **conditions: object) -> Observation:
        """What was sampled since the last `take`, kept in the record at once."""
        if not self._rows:
            raise MeasurementError(f"{name}: no sample came from the board")
        columns = tuple(Column(name=word, unit=unit, scale=scale) for word, unit, scale in COLUMNS)
        data = np.concatenate(self._rows)
        self._rows = []
        observation = Observation(name=name, columns=columns, data=data, conditions=conditions)
        self.rig.keep(observation)
        return observation

    def forget(self) -> None:
        """Drop what was sampled since the last `take`: the way to a starting point is no observation."""
        self._rows = []


def shaft_rad(observation: Observation, turn: int, zero_count: float) -> NDArray[np.float64]:
    """Reading in rad from `zero_count`, counted through (n)."""
    counts = observation.si("count") - zero_count
    return np.asarray(np.unwrap((counts + turn / 2) % turn - turn / 2, period=turn) * math.tau / turn)
