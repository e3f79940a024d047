"""A simulated bench that tells, once its host has left, what it was left in: seen from inside, whoever says what.

    python -m tests.bench.witness FILE SCENARIO [options of `python -m rigs_demo`]

FILE gets one JSON object: `driven`, the motors whose bridge is enabled; `duties`, those with an output that is not low;
`supply`, whether its output is on (a battery's always is); `time_ms`, how long the bench has run by its own clock.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import rigs_demo.__main__ as command
from rigs_demo.clock import Bench
from rigs_demo.clock_loop import ClockLoop

SETTLE_NS = 1_000_000
"""For what was written last to act; far less than any deadman (arbitrary)."""


def left_in(bench: Bench[Any]) -> dict[str, Any]:
    """What the bench is in now."""
    plant = bench.plant
    motors = dict(zip(plant.parameters.motors, plant.motors, strict=True))
    return {
        "driven": [name for name, motor in motors.items() if motor.enabled],
        "duties": [name for name, motor in motors.items() if any(motor.duty)],
        "supply": bool(plant.bus.output),
        "time_ms": bench.now_ns / 1e6,
    }


class WitnessLoop(ClockLoop):
    """The bench's main loop, which looks about it when its host has left, before the board's deadman can mend it."""

    place = Path()

    def _linger(self) -> None:
        self._serve_instruments()
        self._bench.run(self._bench.now_ns + SETTLE_NS)
        part = self.place.with_name(f"{self.place.name}.part")
        part.write_text(json.dumps(left_in(self._bench)), encoding="utf-8")
        part.replace(self.place)
        super()._linger()


def main() -> int:
    """Run the bench as the command does."""
    WitnessLoop.place = Path(sys.argv[1]).absolute()
    setattr(command, "ClockLoop", WitnessLoop)  # noqa: B010  (its own command has no place for another)
    return command.main(sys.argv[2:])


if __name__ == "__main__":
    sys.exit(main())
