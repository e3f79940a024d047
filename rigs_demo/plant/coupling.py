"""Elastic coupling of two shafts: a spring and a damper, relaxed where both arms hang."""

from __future__ import annotations

from rigs_demo.plant.parameters import CouplingParameters
from rigs_demo.plant.shaft import Shaft


class Coupling:
    """Torque between the first two shafts of a rig."""

    __slots__ = ("_damper", "_first", "_second", "_spring", "lost_j")

    def __init__(self, parameters: CouplingParameters, first: Shaft, second: Shaft) -> None:
        self._spring = parameters.stiffness_n_m_rad
        self._damper = parameters.damping_n_m_s
        self._first = first
        self._second = second
        self.lost_j = 0.0

    def torque_n_m(self, h_s: float) -> float:
        """Torque on the first shaft at mid-step; the second has the opposite."""
        rate = self._first.omega_rad_s - self._second.omega_rad_s
        self.lost_j += self._damper * rate * rate * h_s
        return -self._spring * (self.twist_rad() + 0.5 * h_s * rate) - self._damper * rate

    def twist_rad(self) -> float:
        """How far the first shaft is ahead."""
        first, second = self._first, self._second
        return (first.theta_rad - first.hang_rad) - (second.theta_rad - second.hang_rad)

    def stored_j(self) -> float:
        """Energy of the spring."""
        return 0.5 * self._spring * self.twist_rad() ** 2
