"""How far a sensor's slow error may bend a reading: once and twice a turn, from a magnet that sits beside the axis."""

from __future__ import annotations

import math

from harness.rigfile import RigSpec, unstated

TWICE = 0.25
"""A sensor's twice-a-turn error over its once-a-turn error, at most (common practice, no source)."""


def sensor_error_u(spec: RigSpec, motor: str) -> tuple[float, float]:
    """Standard uncertainty of the cosine (or sine) part of the sensor's error once and twice a turn, rad.

    Amplitude anywhere up to what the rig file says, at any phase: a / sqrt(6).
    """
    once = max(1e-4, unstated.eccentricity_rad(spec, motor) / math.sqrt(6.0))
    return once, TWICE * once
