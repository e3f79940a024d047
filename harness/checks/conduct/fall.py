"""Whether an off lets go of the shaft: an arm that a field held aside falls, as far as friction and cogging let it.

What is seen is a bridge that goes on driving though its pins are off. One that is left enabled with its pins low is a
brake, under which an arm falls as well, slower.
"""

from __future__ import annotations

import math

from harness.base.errors import MeasurementError
from harness.checks.conduct.stimulus import FALL_RAD
from harness.nouns import gravity
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec
from harness.rigfile.known import StatedValue

COGGING_SHARE = 0.05
"""Of the torque at the current that the rig allows, what a motor with slots may cog by (from memory: some per cent)."""
LEAST_RAD = 5e-3
"""Least fall that is looked for (arbitrary: more than noise and an eccentric magnet make)."""
SHARE = 0.5
"""Of the least fall of a free shaft, below which it is held (arbitrary)."""


def held(rows: Observation, spec: RigSpec, motor: str) -> bool:
    """Whether the shaft stayed where a field had held it. Raises MeasurementError where a free one might stay, too."""
    load, of = spec.motor[motor].load, f"motor.{motor}"
    stated = {
        f"{of}.load.mass_kg": load.mass_kg if load is not None else None,
        f"{of}.load.length_m": load.length_m if load is not None else None,
        f"{of}.load.hang_reading_rad": spec.motor[motor].stated_hang_rad,
        f"{of}.coulomb_friction_n_m": spec.motor[motor].coulomb_friction_n_m,
    }
    stated[f"{of}.flux_linkage_v_s"] = flux = spec.motor[motor].flux_linkage_v_s
    mass, length, hang, friction, _ = stated.values()
    if mass is None or length is None or hang is None or friction is None or flux is None:
        raise MeasurementError(f"needs {', '.join(key for key, value in stated.items() if value is None)}")
    fell = rows.numbers("fell")
    if not fell:
        raise MeasurementError(
            f"needs {of}.electrical_offset_rad, limits that allow its arm to fall from {math.degrees(FALL_RAD):.0f} "
            "degrees, and an off that leaves no pin live"
        )
    before, moved = fell
    per_count_rad = math.tau / rows.number("turn")
    aside_rad = abs(math.remainder(before * per_count_rad - hang.value, math.tau))
    cogging_n_m = COGGING_SHARE * 1.5 * spec.motor[motor].pole_pairs * flux.high * spec.limits.phase_current_a
    kept_rad = kept_within_rad(mass, length, friction.high + cogging_n_m)
    least_rad = aside_rad - (hang.high - hang.value) - kept_rad
    if least_rad < LEAST_RAD:
        raise MeasurementError(
            "because friction as stated, and cogging, may keep the arm where the field held it, "
            f"{math.degrees(aside_rad):.1f} degrees from hanging"
        )
    return abs(moved) * per_count_rad < SHARE * least_rad


def kept_within_rad(mass_kg: StatedValue, length_m: StatedValue, torque_n_m: float) -> float:
    """Largest angle from hanging, rad, at which a torque that gives way may keep an arm; pi where it may anywhere."""
    pull_n_m = mass_kg.low * length_m.low * gravity.local().value
    return math.asin(torque_n_m / pull_n_m) if torque_n_m < pull_n_m else math.pi
