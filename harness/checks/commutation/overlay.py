"""The model over a turned field: the reading at which field, arm and friction balance, for each amplitude and way."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np

from harness.checks.commutation.stimulus import AMPLITUDE
from harness.nouns import gravity
from harness.nouns.contract import Declared
from harness.nouns.names import Name
from harness.nouns.quantity import Quantity, propagate
from harness.physics.motor import arm_torque, electrical_angle, known, peak_torque, winding_braking
from harness.rigfile import RigSpec, unstated
from harness.rigfile.unstated import COGGED_AMPLITUDE


def overlay(
    curve: str, x: Sequence[float], begun: Mapping[str, float], spec: RigSpec, declared: Declared, motor: str
) -> list[tuple[float, float]] | None:
    """Reading (rad) and its standard uncertainty at fields `x` (rad, counted through), each amplitude and way its own.

    The branch nearest to hanging. None for a curve without a model, or where the rig file lacks offset or hang.
    """
    entry = spec.motor[motor]
    load, offset = entry.load, entry.electrical_offset_rad
    if Name(curve).quantity != "following" or offset is None or load is None or load.hang_reading_rad is None or not x:
        return None
    sense, pairs, hang = entry.direction or 1, entry.pole_pairs, load.hang_reading_rad.value
    ahead = np.asarray(x, dtype=np.float64) - electrical_angle(sense, pairs, hang, offset.value)
    ahead = sense * (ahead - math.tau * round(float(np.mean(ahead)) / math.tau))
    ratio = arm_over_field(spec, declared, motor, begun["amplitude"])
    drag = drag_over_field(spec, declared, motor, begun["amplitude"], begun["speed_rad_s"])
    arm, behind = (0.0 if each is None else each.value for each in (ratio, drag))
    turned = ahead / (pairs + arm)
    for _ in range(30):  # a contraction while the arm takes less than the field gives
        turned = (ahead - np.arcsin(np.clip(arm * np.sin(turned) + behind, -1.0, 1.0))) / pairs
    eccentric = unstated.eccentricity_rad(spec, motor) / math.sqrt(6.0)
    u_arm, u_behind = (0.0 if each is None else each.u for each in (ratio, drag))
    still = drag_over_field(spec, declared, motor, begun["amplitude"], math.copysign(0.0, begun["speed_rad_s"]))
    if drag is not None and still is not None:  # at either end of a sweep it is slower than amid it
        u_behind = math.hypot(u_behind, (drag.value - still.value) / math.sqrt(3.0))
    cogs = unstated.cogging_share(spec, motor) * COGGED_AMPLITUDE / begun["amplitude"]
    swings = swinging_over_field(spec, declared, motor, begun["amplitude"], begun["acceleration_rad_s2"])
    u_pull = np.sqrt((np.sin(turned) * u_arm) ** 2 + u_behind**2 + (cogs**2 + swings**2) / 2.0)
    u = np.sqrt((offset.u / pairs) ** 2 + eccentric**2 + (u_pull / pairs) ** 2)
    return [(float(s) + hang, float(spread)) for s, spread in zip(turned, u, strict=True)]


def swinging_over_field(
    spec: RigSpec, declared: Declared, motor: str, amplitude: float, acceleration_rad_s2: float
) -> float:
    """Torque with which the shaft may swing about the field, over the field's largest: as it breaks loose, twice its
    friction; from speeding up, its inertia. 0 where the rig file does not state enough.
    """
    inputs = _field_inputs(spec, declared, motor, "coulomb_n_m", *TURNING)
    if inputs is None:
        return 0.0
    values = {name: quantity.value for name, quantity in inputs.items()}
    friction = values.pop("coulomb_n_m")
    mass_kg, length_m, *inertias = (values.pop(name) for name in TURNING)
    inertia = mass_kg * length_m**2 + sum(inertias)
    return (2.0 * friction + inertia * acceleration_rad_s2) / _largest(spec, declared, motor, amplitude)(**values)


FIELD = ("supply_v", "winding_ohm", "flux_v_s")
"""What the rig file must state for a field's torque."""
TURNING = ("mass_kg", "length_m", "rotor_inertia_kg_m2", "arm_inertia_kg_m2")
"""What it must state for the inertia that turns."""


def _field_inputs(spec: RigSpec, declared: Declared, motor: str, *more: str) -> dict[str, Quantity] | None:
    """Inputs of a field's torque, and `more`; None where the rig file does not state all."""
    inputs = known(spec, motor, *FIELD, *more)
    if len(inputs) < len(FIELD) + len(more):
        return None
    inputs["on_ohm"] = unstated.on_resistance(spec, motor)
    inputs["dead_time_s"] = unstated.dead_time(spec, declared.dead_time_s)
    return inputs


def _largest(spec: RigSpec, declared: Declared, motor: str, amplitude: float) -> Callable[..., float]:
    """The field's largest torque, N m, as a function of `_field_inputs`."""
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    return partial(peak_torque, spec.motor[motor].pole_pairs, amplitude=amplitude, carrier_hz=carrier_hz)


def arm_over_field(spec: RigSpec, declared: Declared, motor: str, amplitude: float = AMPLITUDE) -> Quantity | None:
    """The arm's largest torque over the field's; None where the rig file does not state enough."""
    inputs = _field_inputs(spec, declared, motor, "mass_kg", "length_m")
    if inputs is None:
        return None
    largest = _largest(spec, declared, motor, amplitude)

    def ratio(mass_kg: float, length_m: float, g: float, **field: float) -> float:
        return -arm_torque(mass_kg, length_m, g, math.pi / 2.0) / largest(**field)

    return propagate(ratio, "1", g=gravity.local(), **inputs)


def drag_over_field(
    spec: RigSpec, declared: Declared, motor: str, amplitude: float, speed_rad_s: float
) -> Quantity | None:
    """What friction and the shorted winding take at a speed, signed as it, over the field's largest torque.

    None where the rig file does not state enough.
    """
    inputs = _field_inputs(spec, declared, motor, "coulomb_n_m")
    if inputs is None:
        return None
    largest = _largest(spec, declared, motor, amplitude)

    def braking(**field: float) -> float:
        winding = {name: field[name] for name in ("flux_v_s", "winding_ohm", "on_ohm")}
        return winding_braking(spec.motor[motor].pole_pairs, **winding)

    usual = braking(**{name: quantity.value for name, quantity in inputs.items()})
    inputs["viscous_n_m_s"] = unstated.viscous_friction(spec, motor, usual)

    def ratio(coulomb_n_m: float, viscous_n_m_s: float, **field: float) -> float:
        drag = math.copysign(coulomb_n_m, speed_rad_s) + (viscous_n_m_s + braking(**field)) * speed_rad_s
        return drag / largest(**field)

    return propagate(ratio, "1", **inputs)
