"""What moves in a step of the position loop, from the rig file: stiffness, inertia, damping, lag, friction, limits."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from harness.base.errors import MeasurementError
from harness.nouns import gravity
from harness.nouns.quantity import Quantity, propagate
from harness.physics.drive import circuit_ohm
from harness.physics.holding import dead_zone, proportional_n_m_rad
from harness.physics.motor import known, needs, winding_braking
from harness.rigfile import unstated

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec

INPUTS = (
    "supply_v", "winding_ohm", "flux_v_s", "gain_per_rad", "amplitude_limit", "mass_kg", "length_m",
    "arm_inertia_kg_m2", "rotor_inertia_kg_m2", "viscous_n_m_s", "coulomb_n_m", "inductance_h", "on_ohm", "dead_time_s",
)  # fmt: skip


def loop_delay(spec: RigSpec, motor: str) -> Quantity | None:
    """From the shaft's angle to the torque, s: age of the reading, reading to duties, L / R. None if not stated."""
    age, late = spec.motor[motor].sensor.age_s, spec.firmware.loop_delay_s
    inputs = known(spec, motor, "inductance_h", "winding_ohm", "on_ohm")
    if age is None or late is None or len(inputs) < 3:
        return None
    return propagate(
        lambda age_s, late_s, henry, winding, on: age_s + late_s + henry / circuit_ohm(winding, on), "s",
        age_s=age.quantity("s"), late_s=late.quantity("s"), henry=inputs["inductance_h"],
        winding=inputs["winding_ohm"], on=inputs["on_ohm"],
    )  # fmt: skip


def loop_period(spec: RigSpec, declared: Declared) -> Quantity:
    """The loop's period, s: as the rig file states it, else as the firmware declares it."""
    return unstated.loop_period(spec, declared.loop_period_s)


def lacking(spec: RigSpec, motor: str) -> tuple[str, ...]:
    """Keys of the rig file that are missing and that a response needs."""
    delays = {
        f"motor.{motor}.sensor.age_s": spec.motor[motor].sensor.age_s,
        "firmware.loop_delay_s": spec.firmware.loop_delay_s,
    }
    return (*needs(spec, motor, INPUTS), *(key for key, stated in delays.items() if stated is None))


def shaft(spec: RigSpec, declared: Declared, motor: str) -> dict[str, Quantity]:
    """The parameters of `Shaft` as quantities, from a rig file that states all of INPUTS and the delays.

    Raises MeasurementError where it does not.
    """
    pairs = spec.motor[motor].pole_pairs
    carrier_hz = spec.firmware.carrier_hz or declared.carrier_hz
    given = known(spec, motor, *INPUTS)
    delay, period = loop_delay(spec, motor), loop_period(spec, declared)
    if delay is None:
        raise MeasurementError(f"motor {motor}: the rig file states no delay of the loop")

    def of(unit: str, function: Callable[..., float], *names: str, **others: Quantity) -> Quantity:
        return propagate(function, unit, **{name: given[name] for name in names}, **others)

    # A weak source sags with the power drawn, to first order nothing at small demands: left out of the loop.
    ohms = ("winding_ohm", "on_ohm")

    return {
        "loop": of("N m/rad", partial(proportional_n_m_rad, pairs),
                   "supply_v", *ohms, "flux_v_s", "gain_per_rad"),
        "arm": of("N m/rad", lambda mass_kg, length_m, g: mass_kg * g * length_m, "mass_kg", "length_m",
                  g=gravity.local()),
        "inertia": of("kg m2", lambda mass_kg, length_m, rotor_inertia_kg_m2, arm_inertia_kg_m2:
                      rotor_inertia_kg_m2 + arm_inertia_kg_m2 + mass_kg * length_m**2,
                      "mass_kg", "length_m", "rotor_inertia_kg_m2", "arm_inertia_kg_m2"),
        "damping": of("N m s", lambda viscous_n_m_s, **winding: viscous_n_m_s + winding_braking(pairs, **winding),
                      "viscous_n_m_s", *ohms, "flux_v_s"),
        "lag_s": propagate(lambda late, hold: late + hold / 2.0, "s", late=delay, hold=period),
        "friction": given["coulomb_n_m"],
        "dead_rad": dead_zone(spec, motor, carrier_hz),
        "clip_rad": of("rad", lambda amplitude_limit, gain_per_rad: amplitude_limit / gain_per_rad,
                       "amplitude_limit", "gain_per_rad"),
    }  # fmt: skip
