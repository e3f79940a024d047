"""The model over the curves of holding: torque over deflection, on either branch with what friction takes there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from harness.checks.stiffness.model import held_torque
from harness.nouns.names import Name
from harness.physics.holding import LOOP, OPEN, dead_zone, loop_stiffness
from harness.physics.motor import known, needs
from harness.rigfile import unstated

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec


def overlay(
    curve: str, x: Sequence[float], begun: Mapping[str, float], spec: RigSpec, declared: Declared, motor: str
) -> list[tuple[float, float]] | None:
    """Torque and its standard uncertainty over deflection (rad), for the curves of the stiffness check.

    `begun`: `way` of the shaft on this branch, on which friction takes its part (0: none is taken), and `warm`, the
    factor that refers a torque to 20 degC.
    """
    pole_pairs = spec.motor[motor].pole_pairs or declared.pole_pairs
    at, way, warm = np.asarray(x, dtype=np.float64), begun.get("way", 0.0), begun.get("warm", 1.0)
    friction, noise = known(spec, motor, "coulomb_n_m").get("coulomb_n_m"), spec.motor[motor].sensor.noise_rad
    if way and friction is None:
        return None
    if Name(curve).quantity == "open_loop" and not needs(spec, motor, OPEN):
        largest = held_torque(spec, declared, motor, pole_pairs)
        shape, slope = np.sin(pole_pairs * at) / warm, pole_pairs * largest.value * np.cos(pole_pairs * at)
    elif Name(curve).quantity == "closed_loop" and not needs(spec, motor, LOOP):
        largest = loop_stiffness(spec, motor, pole_pairs)
        dead = 0.0
        if not needs(spec, motor, ("dead_time_s",)):
            dead = dead_zone(spec, motor, spec.firmware.carrier_hz or declared.carrier_hz).value
        shape = np.sign(at) * np.maximum(np.abs(at) - dead, 0.0) / warm
        slope = np.full_like(at, largest.value)
    else:
        return None
    value, u = largest.value * shape, np.abs(largest.u * shape)
    if way and friction is not None:
        value = value - way * friction.value
        read = slope * (0.0 if noise is None else noise.value)
        u = np.sqrt(u**2 + friction.u**2 + read**2 + _cogging_n_m(spec, declared, motor, pole_pairs) ** 2 / 2.0)
    return [(float(torque), float(width)) for torque, width in zip(value, u, strict=True)]


def _cogging_n_m(spec: RigSpec, declared: Declared, motor: str, pole_pairs: int) -> float:
    """Largest torque of cogging; 0 where the rig file states too little to tell."""
    if needs(spec, motor, OPEN):
        return 0.0
    return unstated.cogging_share(spec, motor) * held_torque(spec, declared, motor, pole_pairs).value
