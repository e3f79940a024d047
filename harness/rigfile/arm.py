"""An arm against the motor that it hangs on: a mass in grams or a length in millimetres shows here.

`inspect` says it. A qualification goes on: an arm that its motor cannot lift within a chosen limit may hang there.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.base.gravity import STANDARD_M_S2
from harness.rigfile.spec import RigSpec

SLIP = 30.0
"""Ratio of the two torques from which on a unit is wrong. Grams for kg, or mm for m, are a factor of 1000; the root of
it, rounded, is as far from an arm that the motor just lifts as from such a slip, and no arm is chosen so heavy."""
BY_THE_MOTOR = "at limits.phase_current_a by pole_pairs and flux_linkage_v_s"


@dataclass(frozen=True, slots=True, kw_only=True)
class HeavyArm:
    """An arm that held level pulls more than its motor makes at the limit of the current; both torques in N m."""

    motor: str
    pull_n_m: float
    most_n_m: float

    @property
    def slip(self) -> bool:
        """Whether it is so heavy that a unit must be wrong."""
        return self.pull_n_m >= SLIP * self.most_n_m

    @property
    def words(self) -> str:
        """One line: where, both torques, and what follows."""
        where, pull = f"motor.{self.motor}.load", f"{self.pull_n_m:.3g} N m by mass_kg and length_m"
        most = f"{self.most_n_m:.3g} N m"
        if self.slip:
            return (
                f"{where}: expected an arm of at most {most}, which its motor makes {BY_THE_MOTOR}, found {pull}: look "
                "at the units of these, SI all of them"
            )
        return (
            f"{where}: the arm pulls {pull}, its motor makes {most} {BY_THE_MOTOR}: it cannot be lifted to 90 degrees "
            "within this limit"
        )


def heavy_arms(spec: RigSpec) -> list[HeavyArm]:
    """Arms that pull more than their motors make, where mass, length and flux linkage are stated.

    Of all that is known only so well the end is taken that lets an arm pass.
    """
    arms = []
    for motor in spec.motors:
        pull, most = least_pull_n_m(spec, motor), most_torque_n_m(spec, motor)
        if pull is not None and most is not None and pull > most:
            arms.append(HeavyArm(motor=motor, pull_n_m=pull, most_n_m=most))
    return arms


def least_pull_n_m(spec: RigSpec, motor: str) -> float | None:
    """What the arm pulls by at least, held level; None where mass or length is not stated."""
    load = spec.motor[motor].load
    if load is None or load.mass_kg is None or load.length_m is None:
        return None
    return load.mass_kg.low * load.length_m.low * STANDARD_M_S2


def most_torque_n_m(spec: RigSpec, motor: str) -> float | None:
    """What the motor makes at most at the rig's limit of the current; None where the flux linkage is not stated.

    1.5 x pole pairs x flux linkage x peak current (DEVELOPERS.md, conventions).
    """
    entry = spec.motor[motor]
    if entry.flux_linkage_v_s is None:
        return None
    return 1.5 * entry.pole_pairs * entry.flux_linkage_v_s.high * spec.limits.phase_current_a


def field_torque_n_m(spec: RigSpec, motor: str, amplitude: float) -> float | None:
    """What a field of an amplitude makes at most, all values as stated; None where the flux linkage is not.

    The same with a peak current of amplitude x half the supply over the winding's resistance.
    """
    entry = spec.motor[motor]
    if entry.flux_linkage_v_s is None:
        return None
    current_a = amplitude * spec.supply.voltage_v.value / 2.0 / entry.resistance_ohm.value
    return 1.5 * entry.pole_pairs * entry.flux_linkage_v_s.value * current_a
