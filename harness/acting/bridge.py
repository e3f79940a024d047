"""What a device script is told of the pins of one motor's bridge."""

from __future__ import annotations

from typing import Any

from harness.bench.source import off_levels
from harness.rigfile import RigSpec


def pins_of(spec: RigSpec, motor: str) -> dict[str, Any]:
    """Phase pins, enable pin and the level of it at which the bridge is off, as device_scripts/pins.py takes them."""
    entry = spec.motor[motor]
    off = off_levels(spec)[spec.motors.index(motor)]
    return {"phases": entry.phase_pins, "enable": entry.enable_pin, "off": off}
