"""Whether an off lets go of the shaft: an arm that a field held aside falls, as far as friction and cogging let it.

What is seen is a bridge that goes on driving though its pins are off. One that is left enabled with its pins low is a
brake, under which an arm falls as well, slower.
"""

from __future__ import annotations

import math

from harness.base.errors import MeasurementError
from harness.checks.conduct.stimulus import FALL_RAD
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec, arm

COGGING_SHARE = 0.05
"""Of the torque at the current that the rig allows, what a motor with slots may cog by (from memory: some per cent)."""
LEAST_RAD = 5e-3
"""Least fall that is looked for (arbitrary: more than noise and an eccentric magnet make)."""
SHARE = 0.5
"""Of the least fall of a free shaft, below which it is held (arbitrary)."""


def held(rows: Observation, spec: RigSpec, motor: str) -> bool:
    """Whether the shaft stayed where a field had held it. Raises MeasurementError where a free one might stay, too."""
    entry = spec.motor[motor]
    hang, friction = entry.stated_hang_rad, entry.coulomb_friction_n_m
    pull_n_m, torque_n_m = arm.least_pull_n_m(spec, motor), arm.most_torque_n_m(spec, motor)
    if hang is None or friction is None or pull_n_m is None or torque_n_m is None:
        raise MeasurementError(f"needs {', '.join(_lacking(spec, motor))}")
    fell = rows.numbers("fell")
    if not fell:
        raise MeasurementError(
            f"needs motor.{motor}.electrical_offset_rad, an off that leaves no pin live, and limits that allow its arm "
            f"to fall from {math.degrees(FALL_RAD):.0f} degrees"
        )
    before, moved = fell
    per_count_rad = math.tau / rows.number("turn")
    aside_rad = abs(math.remainder(before * per_count_rad - hang.value, math.tau))
    kept_rad = kept_within_rad(pull_n_m, friction.high + COGGING_SHARE * torque_n_m)
    least_rad = aside_rad - (hang.high - hang.value) - kept_rad
    if least_rad < LEAST_RAD:
        raise MeasurementError(
            "because friction as stated, and cogging, may keep the arm where the field held it, "
            f"{math.degrees(aside_rad):.1f} degrees from hanging"
        )
    return abs(moved) * per_count_rad < SHARE * least_rad


def kept_within_rad(pull_n_m: float, torque_n_m: float) -> float:
    """Largest angle from hanging, rad, at which a torque that gives way may keep an arm; pi where it may anywhere."""
    return math.asin(torque_n_m / pull_n_m) if torque_n_m < pull_n_m else math.pi


def _lacking(spec: RigSpec, motor: str) -> list[str]:
    """Keys that a fall is judged by, of those that the rig file does not state."""
    entry = spec.motor[motor]
    stated = {
        "load.mass_kg": entry.load and entry.load.mass_kg,
        "load.length_m": entry.load and entry.load.length_m,
        "load.hang_reading_rad": entry.stated_hang_rad,
        "coulomb_friction_n_m": entry.coulomb_friction_n_m,
        "flux_linkage_v_s": entry.flux_linkage_v_s,
    }
    return [f"motor.{motor}.{key}" for key, value in stated.items() if value is None]
