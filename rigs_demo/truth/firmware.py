"""What the board's firmware does to a motor, read from the very text that the board is given.

Constants are taken from the module's assignments; times on the board were observed on the simulated bench.
"""

from __future__ import annotations

import ast
import math
from dataclasses import dataclass

from rigs_demo.faults import firmware_copy, severities
from rigs_demo.scenario import Scenario

COUNTS = 32768
FULL = 32768
PUT_OUT_S = (115e-6, 165e-6, 215e-6)
"""From the latch of a reading to each phase's new duty, observed; they act at the plant's next grid point."""
HAND_OVER_S = 86e-6
"""Age that angle() states, observed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Firmware:
    """The demo firmware's loop. Angles in electrical radians, amplitudes of 1."""

    gain_per_rad: float
    limit: float
    table: int
    """Entries of the field's table in an electrical turn."""
    offset_index: tuple[int, ...]
    """Table entry of phase A's axis at reading zero, by motor."""
    pole_pairs: int
    period_s: float
    bus_path: bool
    own_pace: bool
    late_s: float
    """Time that the loop holds an error back."""

    def offset_rad(self, motor: int) -> float:
        """Electrical angle that the firmware takes for reading zero; it rounds down, half an entry on the mean."""
        return math.tau * (self.offset_index[motor] - 0.5) / self.table


def read_firmware(scenario: str, faults: tuple[str, ...] = ()) -> Firmware:
    """Constants of the scenario's firmware with the faults in. Raises UnknownScenario, FaultError."""
    loaded = Scenario.load(scenario)
    (source,) = loaded.firmware.values()
    source = firmware_copy(source, faults)
    assigned = constants(source)
    choice = '!= "bus"' not in source
    return Firmware(
        gain_per_rad=_whole(assigned, "GAIN") * COUNTS / math.tau / FULL,
        limit=_whole(assigned, "LIMIT") / FULL,
        table=_whole(assigned, "STEPS") if "STEPS" in assigned else 128,
        offset_index=_offsets(assigned, source),
        pole_pairs=_whole(assigned, "POLE_PAIRS"),
        period_s=_whole(assigned, "PERIOD_US") * 1e-6 if "PERIOD_US" in assigned else 1e-3,
        bus_path=choice == (assigned.get("SENSOR_PATH", "bus") == "bus"),
        own_pace="Timer" in source,
        late_s=severities(faults).get("late-loop", 0.0),
    )


def constants(source: str) -> dict[str, object]:
    """Values of the module's plain assignments, `const(...)` taken off."""
    assigned: dict[str, object] = {}
    for node in ast.parse(source).body:
        if not (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)):
            continue
        value = node.value
        if isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "const":
            value = value.args[0]
        try:
            assigned[node.targets[0].id] = ast.literal_eval(value)
        except ValueError:
            continue
    return assigned


def _whole(assigned: dict[str, object], name: str) -> int:
    value = assigned[name]
    if not isinstance(value, int):
        raise TypeError(f"firmware: {name}: expected a whole number, found {value!r}")
    return value


def _offsets(assigned: dict[str, object], source: str) -> tuple[int, ...]:
    offsets = assigned.get("OFFSETS")
    if isinstance(offsets, tuple):
        return tuple(int(number) for number in offsets)
    # The smaller firmware hands each motor its offset as the last argument of make().
    calls = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "make"
    ]
    return tuple(int(ast.literal_eval(call.args[-1])) for call in calls)
