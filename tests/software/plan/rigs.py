"""Rig files for plans: the demo's, and what becomes of them."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

from harness.rigfile import RigSpec, load, loads

ROOT = Path(__file__).resolve().parents[3]
SLUICE, HANDWHEEL = (ROOT / "rigs_demo" / "rigs" / f"{name}.toml" for name in ("sluice", "handwheel"))

ALONE = """\
schema = 1
[rig]
name = "alone"
[board]
port = "/dev/ttyACM0"
deadman_s = 0.3
[firmware]
module = "drive"
contract = 1
[limits]
phase_current_a = 1.0
speed_rad_s = 60.0
travel_rad = 2.4
winding_temperature_c = 90.0
[supply]
voltage_v = { value = 12.0, tolerance_percent = 5 }
[motor.spin]
pole_pairs = 7
phase_pins = [0, 1, 2]
enable_pin = 6
resistance_ohm = { value = 4.6, tolerance_percent = 10 }
[motor.spin.sensor]
path = "bus"
bits = 14
"""
"""One motor and no instrument; nothing stated that need not be."""


def of_steel(path: Path = SLUICE, *changes: tuple[str, str]) -> RigSpec:
    """The same rig with real addresses, and with other words in its file."""
    text = path.read_text(encoding="utf-8")
    number = itertools.count(1)
    text = re.sub(r'"simulated:\w+"', '"/dev/ttyACM0"', text)
    text = re.sub(r'"simulated:\w+/\w+"', lambda _: f'"TCPIP::10.0.0.{next(number)}::5025::SOCKET"', text)
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return loads(text.encode(), "rig.toml")


def alone(*changes: tuple[str, str]) -> RigSpec:
    """The rig with one motor."""
    text = ALONE
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return loads(text.encode(), "alone.toml")


def demo(path: Path = SLUICE) -> RigSpec:
    """As it is shipped."""
    return load(path)
