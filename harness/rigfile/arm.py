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

    Torque 1.5 x pole pairs x flux linkage x peak current (DEVELOPERS.md, conventions); of all that is known only so
    well the end is taken that lets an arm pass.
    """
    arms = []
    for name, motor in spec.motor.items():
        load, flux = motor.load, motor.flux_linkage_v_s
        if load is None or load.mass_kg is None or load.length_m is None or flux is None:
            continue
        pull = load.mass_kg.low * load.length_m.low * STANDARD_M_S2
        most = 1.5 * motor.pole_pairs * flux.high * spec.limits.phase_current_a
        if pull > most:
            arms.append(HeavyArm(motor=name, pull_n_m=pull, most_n_m=most))
    return arms
