"""Torque per speed that a field's winding and the bearing take from a shaft, beside friction.

A shorted winding brakes by Kt^2 / (1.5 (R + Ron)). Where the rig file does not state the flux, the held field itself
shows Kt: its torque per ampere, or per share of the supply's voltage over the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.nouns.quantity import Quantity, combine, exact, propagate
from harness.rigfile import RigSpec, unstated


@dataclass(frozen=True, slots=True, kw_only=True)
class Braking:
    """What the rig file says of a motor's damping; a field's fit has the rest."""

    spec: RigSpec
    motor: str
    by_current: bool
    """Whether a field is weighed by its current, A; else by its net amplitude."""

    def damping(self, per_weight: Quantity) -> Quantity:
        """N m s, where a field gives so much torque per weight (N m/A, or N m of amplitude 1)."""
        entry = self.spec.motor[self.motor]
        flux, pole_pairs = entry.flux_linkage_v_s, entry.pole_pairs
        circuit = {
            "winding_ohm": entry.resistance_ohm.quantity("ohm"),
            "on_ohm": unstated.on_resistance(self.spec, self.motor),
        }

        def by_constant(torque_per_ampere: float, winding_ohm: float, on_ohm: float) -> float:
            return torque_per_ampere**2 / (1.5 * (winding_ohm + on_ohm))

        def by_flux(flux_v_s: float, **ohms: float) -> float:
            return by_constant(1.5 * pole_pairs * flux_v_s, **ohms)

        def by_amplitude(per_weight: float, supply_v: float, **ohms: float) -> float:
            return by_constant(per_weight * sum(ohms.values()) / (supply_v / 2.0), **ohms)

        if flux is not None:
            electrical = propagate(by_flux, "N m s", flux_v_s=flux.quantity("V s"), **circuit)
        elif self.by_current:
            electrical = propagate(by_constant, "N m s", torque_per_ampere=per_weight, **circuit)
        else:
            supply = self.spec.supply.voltage_v.quantity("V")
            electrical = propagate(by_amplitude, "N m s", per_weight=per_weight, supply_v=supply, **circuit)
        viscous = unstated.viscous_friction(self.spec, self.motor, electrical.value)
        return combine(((1.0, electrical), (1.0, viscous)), "N m s")

    def value(self, per_weight: float) -> float:
        """The same without its width."""
        return self.damping(exact(per_weight, "1")).value
