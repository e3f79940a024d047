"""Elastic coupling of two shafts: a spring and a damper, relaxed where both arms hang."""

from __future__ import annotations

from rigs_demo.plant.parameters import CouplingParameters
from rigs_demo.plant.shaft import Shaft


class Coupling:
    """Torque between the first two shafts of a rig."""

    __slots__ = ("_damper", "_one", "_spring", "_two", "lost_j")

    def __init__(self, parameters: CouplingParameters, one: Shaft, two: Shaft) -> None:
        self._spring = parameters.stiffness_n_m_rad
        self._damper = parameters.damping_n_m_s
        self._one = one
        self._two = two
        self.lost_j = 0.0

    def torque_n_m(self, h_s: float) -> float:
        """Torque on the first shaft at mid-step; the second has the opposite."""
        rate = self._one.omega_rad_s - self._two.omega_rad_s
        self.lost_j += self._damper * rate * rate * h_s
        return -self._spring * (self.twist_rad() + 0.5 * h_s * rate) - self._damper * rate

    def twist_rad(self) -> float:
        """How far the first shaft is ahead."""
        one, two = self._one, self._two
        return (one.theta_rad - one.hang_rad) - (two.theta_rad - two.hang_rad)

    def stored_j(self) -> float:
        """Energy of the spring."""
        return 0.5 * self._spring * self.twist_rad() ** 2
