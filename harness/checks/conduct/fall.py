"""Whether an off lets go of the shaft: an arm that a field held aside falls back, as far as friction lets it."""

from __future__ import annotations

import math

from harness.base.errors import MeasurementError
from harness.nouns import gravity
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec
from harness.rigfile.known import StatedValue

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
    mass, length, hang, friction = stated.values()
    if mass is None or length is None or hang is None or friction is None:
        raise MeasurementError(f"needs {', '.join(key for key, value in stated.items() if value is None)}")
    before, moved = rows.numbers("fell")
    per_count_rad = math.tau / rows.number("turn")
    aside_rad = abs(math.remainder(before * per_count_rad - hang.value, math.tau))
    least_rad = aside_rad - (hang.high - hang.value) - friction_cone_rad(mass, length, friction)
    if least_rad < LEAST_RAD:
        raise MeasurementError(
            f"because friction, as stated, may keep the arm where the field held it, {math.degrees(aside_rad):.1f} "
            "degrees from hanging"
        )
    return abs(moved) * per_count_rad < SHARE * least_rad


def friction_cone_rad(mass_kg: StatedValue, length_m: StatedValue, friction_n_m: StatedValue) -> float:
    """Largest angle from hanging, rad, at which friction may keep an arm; pi where it may keep it anywhere."""
    pull_n_m = mass_kg.low * length_m.low * gravity.local().value
    return math.asin(friction_n_m.high / pull_n_m) if friction_n_m.high < pull_n_m else math.pi
