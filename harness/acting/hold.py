"""A motor held by a field or by its loop, moved along slow ramps: the host's side of device_scripts/fields.py."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from harness.acting.service import Service
from harness.base.errors import MeasurementError
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN
from harness.nouns.observation import Condition, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

STREAM = "hold"


class Hold(Service):
    """The service on one motor; left in order, it ends with the phases off."""

    def __init__(self, rig: Rig, motor: str, *, sample_ms: int = 10) -> None:
        self.rig, self.motor = rig, motor
        self.turn = rig.declared[motor].counts_per_turn
        super().__init__(rig, "fields", "serve", last="q", motor=rig.index(motor), sample_ms=sample_ms)

    @property
    def slipped(self) -> float | None:
        """Amplitude at the last slip, 0 to 1."""
        slips = [event.whole() for event in self.events if event.name == "slip"]
        return slips[-1] / FULL_AMPLITUDE if slips else None

    def _order(self, words: str, seconds: float) -> None:
        """Send an order and take rows until it is done."""
        self.send(words)
        self.until("done", seconds + 3.0)

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
        self.send("l")
        self.wait(0.1)

    def set_point(self, count: int, seconds: float, edge_s: float = 0.1) -> None:
        """Bring the set point (counted through) there along a smooth ramp."""
        self._order(f"p {count} {round(seconds * 1e3)} {round(edge_s * 1e3)}", seconds)

    def wait(self, seconds: float) -> None:
        """Hold still."""
        self._order(f"w {max(2, round(seconds * 1e3))}", seconds)

    def sample(self, period_s: float) -> None:
        """A row every `period_s` from now on; 0: none."""
        self.send(f"s {round(period_s * 1e3)}")

    def off(self) -> None:
        """Phases off."""
        self.send("o")
        self.wait(0.02)

    def look(self, name: str, **conditions: Condition) -> Observation:
        """What was sampled since the last look, not kept yet. Raises MeasurementError for nothing."""
        observation = self.observation(name, STREAM, conditions)
        if not observation.data.size:
            raise MeasurementError(f"{name}: no sample came from the board")
        return observation

    def keep(self, observation: Observation) -> Observation:
        """Put an observation into the record, at once."""
        self.rig.keep(observation)
        return observation

    def take(self, name: str, **conditions: Condition) -> Observation:
        """Look, and keep what was seen."""
        return self.keep(self.look(name, **conditions))

    def forget(self) -> None:
        """Drop what was sampled since the last `take`: the way to a starting point is no observation."""
        self.drop_rows(STREAM)
