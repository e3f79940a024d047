"""Rig files for the machines of published cases: what a model reads, with exactly the case's numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from harness.rigfile import RigSpec, loads

DECLARED: Any = SimpleNamespace(pole_pairs=1, carrier_hz=20e3, loop_period_s=1e-3, amplitude_limit=0.4)
"""What a firmware declares; the rig file goes before it."""
MOTOR = "shaft"
REST = """
schema = 1
[rig]
name = "reference"
[board]
port = "/dev/ttyACM0"
deadman_s = 0.3
[limits]
phase_current_a = 100.0
speed_rad_s = 60.0
travel_rad = 2.4
winding_temperature_c = 90.0
"""


def _exactly(section: str, entries: dict[str, float]) -> str:
    lines = (f"{name} = {{ value = {value!r}, tolerance = 0.0 }}" for name, value in entries.items())
    return "\n".join((f"[{section}]", *lines, ""))


def rig(
    *,
    pole_pairs: int,
    supply_v: float = 20.0,
    firmware: dict[str, float] | None = None,
    load: dict[str, float] | None = None,
    sensor: dict[str, float] | None = None,
    thermal: dict[str, float] | None = None,
    bits: int = 24,
    **motor: float,
) -> RigSpec:
    """A rig of one motor on an ideal bridge; every number is exact. `motor`: keys of [motor.shaft]."""
    text = REST + _exactly("supply", {"voltage_v": supply_v, "internal_resistance_ohm": 0.0})
    text += _exactly("driver", {"on_resistance_ohm": 0.0})
    text += _exactly("firmware", {"dead_time_s": 0.0, **(firmware or {})}) + 'module = "drive"\ncontract = 1\n'
    text += (
        _exactly(f"motor.{MOTOR}", {"viscous_friction_n_m_s": 0.0, **motor})
        + f"pole_pairs = {pole_pairs}\nphase_pins = [0, 1, 2]\nenable_pin = 6\n"
    )
    text += _exactly(f"motor.{MOTOR}.sensor", sensor or {}) + f'path = "bus"\nbits = {bits}\n'
    if thermal is not None:
        text += _exactly(f"motor.{MOTOR}.thermal", thermal)
    if load is not None:
        text += _exactly(f"motor.{MOTOR}.load", {"own_inertia_kg_m2": 0.0, **load}) + 'kind = "gravity_arm"\n'
    return loads(text.encode(), "reference.toml")


def holding(pole_pairs: int, peak_n_m: float) -> RigSpec:
    """A rig whose field at amplitude 0.6 holds with `peak_n_m`: 6 V of 20 drive 200 A through 30 mohm."""
    return rig(pole_pairs=pole_pairs, resistance_ohm=0.03, flux_linkage_v_s=peak_n_m / (1.5 * pole_pairs * 200.0))
