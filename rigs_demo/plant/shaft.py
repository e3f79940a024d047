"""What turns: inertia, gravity arm with end stops, cogging, Coulomb and viscous friction.

    J dw/dt = T_motor + T_coupling - m g l sin(theta - hang) - A sin(N theta + phase) - B w - T_friction

Coulomb friction is a set: +-Tc while sliding, whatever is needed up to Tc at rest. Stepped implicitly
(Moreau's time stepping, from memory): the speed moves towards zero by at most h Tc / J and then stands
at exactly zero, so that sticking is exact and no threshold speed exists. Viscous friction by the
midpoint rule, position by the mean speed: the discrete energy balance closes exactly but for the
potentials, which are taken at mid-step (error of third order in the step).
"""

from __future__ import annotations

from math import asin, cos, sin, tau
from random import Random

from rigs_demo.plant.parameters import MotorParameters
from rigs_demo.plant.sensor import shaft_at_reading


class Shaft:
    """State and constants of one shaft; `step` is the whole of its mechanics."""

    __slots__ = (
        "_arm_n_m", "_beta", "_cogging_n_m", "_cogging_periods", "_cogging_phase_rad", "_high_rad", "_low_rad",
        "_slip_speed", "accel_rad_s2", "coulomb_n_m", "friction_j", "h_s", "hang_rad", "inertia_kg_m2", "omega_rad_s",
        "stop_j", "theta_rad", "viscous_n_m_s",
    )  # fmt: skip

    def __init__(self, motor: MotorParameters, gravity_m_s2: float, h_s: float, start: Random) -> None:
        self.h_s = h_s
        self.inertia_kg_m2 = motor.inertia_kg_m2
        self.coulomb_n_m = motor.coulomb_friction_n_m
        self.viscous_n_m_s = motor.viscous_friction_n_m_s
        self._beta = h_s * motor.viscous_friction_n_m_s / (2.0 * self.inertia_kg_m2)
        self._slip_speed = h_s * self.coulomb_n_m / self.inertia_kg_m2
        self._cogging_n_m = motor.cogging_n_m
        self._cogging_periods = motor.cogging_periods
        self._cogging_phase_rad = motor.cogging_phase_rad
        arm = motor.arm
        if arm is None:
            self._arm_n_m = 0.0
            self.hang_rad = 0.0
            self._low_rad, self._high_rad = float("-inf"), float("inf")
            self.theta_rad = start.uniform(0.0, tau)
        else:
            self._arm_n_m = arm.mass_kg * gravity_m_s2 * arm.length_m
            self.hang_rad = shaft_at_reading(motor, arm.hang_reading_rad)
            self._low_rad, self._high_rad = self.hang_rad - arm.stop_rad, self.hang_rad + arm.stop_rad
            # A hanging arm rests anywhere that friction holds it; most of that band, so that cogging may add.
            band = asin(min(0.9, self.coulomb_n_m / self._arm_n_m))
            self.theta_rad = self.hang_rad + start.uniform(-0.7, 0.7) * band
        self.omega_rad_s = 0.0
        self.accel_rad_s2 = 0.0
        self.friction_j = 0.0
        self.stop_j = 0.0

    def passive_torque_n_m(self, theta_rad: float) -> float:
        """Gravity and cogging."""
        return -self._arm_n_m * sin(theta_rad - self.hang_rad) - self._cogging_n_m * sin(
            self._cogging_periods * theta_rad + self._cogging_phase_rad
        )

    def kinetic_j(self) -> float:
        """Energy of the motion."""
        return 0.5 * self.inertia_kg_m2 * self.omega_rad_s**2

    def potential_j(self) -> float:
        """Energy of arm and cogging."""
        theta = self.theta_rad
        arm = -self._arm_n_m * cos(theta - self.hang_rad)
        if not self._cogging_periods:
            return arm
        return arm - self._cogging_n_m / self._cogging_periods * cos(
            self._cogging_periods * theta + self._cogging_phase_rad
        )

    def holds(self, torque_n_m: float) -> bool:
        """True where friction or an end stop keeps a shaft at rest under all other torque."""
        if torque_n_m > self.coulomb_n_m:
            return self.theta_rad >= self._high_rad
        if torque_n_m < -self.coulomb_n_m:
            return self.theta_rad <= self._low_rad
        return True

    def step(self, torque_n_m: float) -> bool:
        """One step under motor, passive and coupling torque at mid-step; True while the shaft moves."""
        h = self.h_s
        old = self.omega_rad_s
        beta = self._beta
        push = old * (1.0 - beta) + h * torque_n_m / self.inertia_kg_m2
        slip = self._slip_speed
        if old == 0.0 and self.holds(torque_n_m):
            self.accel_rad_s2 = 0.0
            return False
        if push > slip:
            new = (push - slip) / (1.0 + beta)
        elif push < -slip:
            new = (push + slip) / (1.0 + beta)
        else:
            new = 0.0
        moved = 0.5 * h * (old + new)
        theta = self.theta_rad + moved
        self.friction_j += torque_n_m * moved - 0.5 * self.inertia_kg_m2 * (new * new - old * old)
        self.accel_rad_s2 = (new - old) / h
        if theta > self._high_rad:
            theta, new = self._stopped(theta, new, self._high_rad)
        elif theta < self._low_rad:
            theta, new = self._stopped(theta, new, self._low_rad)
        self.theta_rad = theta
        self.omega_rad_s = new
        return True

    def _stopped(self, theta: float, omega: float, stop: float) -> tuple[float, float]:
        """An end stop takes all of the motion (rubber; rebound left out)."""
        self.stop_j += 0.5 * self.inertia_kg_m2 * omega * omega + self.passive_torque_n_m(stop) * (theta - stop)
        self.accel_rad_s2 = 0.0
        return stop, 0.0
