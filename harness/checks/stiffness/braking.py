"""Torque per speed that a field's winding and the bearing take from a shaft, beside friction.

A shorted winding brakes by Kt^2 / (1.5 (R + Ron)). Where the rig file does not state the flux, the held field itself
shows Kt: its torque per ampere, or per share of the supply's voltage over the circuit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from harness.nouns.quantity import Quantity, combine, propagate
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
        electrical = propagate(self._electrical, "N m s", per_weight=per_weight, **self._known())
        viscous = unstated.viscous_friction(self.spec, self.motor, electrical.value)
        return combine(((1.0, electrical), (1.0, viscous)), "N m s")

    def values(self) -> Callable[[float], float]:
        """The same without widths, as a function: a fit asks again and again."""
        known = {name: quantity.value for name, quantity in self._known().items()}

        def value(per_weight: float) -> float:
            electrical = self._electrical(per_weight, **known)
            return electrical + unstated.viscous_friction(self.spec, self.motor, electrical).value

        return value

    def _known(self) -> dict[str, Quantity]:
        """What the rig file says of the circuit, and of what turns a field's weight into torque per ampere."""
        entry = self.spec.motor[self.motor]
        known = {
            "winding_ohm": entry.resistance_ohm.quantity("ohm"),
            "on_ohm": unstated.on_resistance(self.spec, self.motor),
        }
        if entry.flux_linkage_v_s is not None:
            known["flux_v_s"] = entry.flux_linkage_v_s.quantity("V s")
        elif not self.by_current:
            known["supply_v"] = self.spec.supply.voltage_v.quantity("V")
        return known

    def _electrical(
        self,
        per_weight: float,
        winding_ohm: float,
        on_ohm: float,
        flux_v_s: float | None = None,
        supply_v: float | None = None,
    ) -> float:
        ohms = winding_ohm + on_ohm
        if flux_v_s is not None:
            torque_per_ampere = 1.5 * self.spec.motor[self.motor].pole_pairs * flux_v_s
        elif supply_v is not None:
            torque_per_ampere = per_weight * ohms / (supply_v / 2.0)
        else:
            torque_per_ampere = per_weight
        return torque_per_ampere**2 / (1.5 * ohms)
