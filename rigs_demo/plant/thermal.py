"""Heat: three windings into one housing, the housing into the room; the driver into the room.

The network is linear, so that constant power over any time is one exact step:

    (C_w / 3) dT_x/dt = P_x - (T_x - T_h) / (3 R_wh)            x = A, B, C
     C_h      dT_h/dt = sum over x of (T_x - T_h) / (3 R_wh) - (T_h - T_room) / R_ha

Source: lumped thermal networks, any textbook of heat transfer (Incropera, "lumped capacitance").
By symmetry the mean of the windings and the housing are a 2 x 2 system, and each winding's
difference from the mean decays by itself with R_wh C_w.
"""

from __future__ import annotations

import math

from rigs_demo.plant.parameters import ThermalParameters

Temperatures = tuple[float, float, float, float]
"""Windings A, B, C and housing, degC."""


class MotorHeat:
    """Thermal state of one motor."""

    __slots__ = ("_c_h", "_c_w", "_cached_s", "_cached_step", "_r_ha", "_r_wh", "room_c", "state")

    def __init__(self, parameters: ThermalParameters, room_c: float) -> None:
        self._r_wh = parameters.winding_to_housing_k_w
        self._r_ha = parameters.housing_to_ambient_k_w
        self._c_w = parameters.winding_capacity_j_k
        self._c_h = parameters.housing_capacity_j_k
        self.room_c = room_c
        self.state: Temperatures = (room_c, room_c, room_c, room_c)
        self._cached_s = -1.0
        self._cached_step = (1.0, 0.0, 0.0, 1.0, 1.0)

    def _transition(self, duration_s: float) -> tuple[float, float, float, float, float]:
        """exp(A t) of (mean winding, housing) by rows, and the decay of a winding's own difference."""
        if duration_s == self._cached_s:
            return self._cached_step
        a11 = -1.0 / (self._r_wh * self._c_w)
        a12 = -a11
        a21 = 1.0 / (self._r_wh * self._c_h)
        a22 = -a21 - 1.0 / (self._r_ha * self._c_h)
        mean = (a11 + a22) / 2.0
        root = math.sqrt(((a11 - a22) / 2.0) ** 2 + a12 * a21)  # real and positive: a12, a21 > 0
        # Sums of decaying exponentials: cosh and sinh would overflow over an hour.
        slow = math.exp((mean + root) * duration_s)
        fast = math.exp((mean - root) * duration_s)
        even = (slow + fast) / 2.0
        odd = (slow - fast) / (2.0 * root)
        self._cached_s = duration_s
        self._cached_step = (
            even + odd * (a11 - mean),
            odd * a12,
            odd * a21,
            even + odd * (a22 - mean),
            math.exp(a11 * duration_s),
        )
        return self._cached_step

    def after(self, duration_s: float, power_w: tuple[float, float, float]) -> Temperatures:
        """Temperatures after constant winding powers; the state stays as it is."""
        p11, p12, p21, p22, own = self._transition(duration_s)
        t_a, t_b, t_c, t_h = self.state
        p_a, p_b, p_c = power_w
        total = p_a + p_b + p_c
        mean_power = total / 3.0
        mean = (t_a + t_b + t_c) / 3.0
        end_h = self.room_c + total * self._r_ha
        end_w = end_h + total * self._r_wh
        off_w = mean - end_w
        off_h = t_h - end_h
        new_mean = end_w + p11 * off_w + p12 * off_h
        new_h = end_h + p21 * off_w + p22 * off_h
        r_own = 3.0 * self._r_wh
        rise_a = (p_a - mean_power) * r_own
        rise_b = (p_b - mean_power) * r_own
        rise_c = (p_c - mean_power) * r_own
        return (
            new_mean + rise_a + own * (t_a - mean - rise_a),
            new_mean + rise_b + own * (t_b - mean - rise_b),
            new_mean + rise_c + own * (t_c - mean - rise_c),
            new_h,
        )

    def advance(self, duration_s: float, power_w: tuple[float, float, float]) -> None:
        """Move the state by constant winding powers."""
        self.state = self.after(duration_s, power_w)


class DriverHeat:
    """One node, heated by conduction and dead time of every bridge: C dT/dt = P - (T - T_room) / R."""

    __slots__ = ("_capacity_j_k", "_resistance_k_w", "room_c", "state")

    def __init__(self, resistance_k_w: float, capacity_j_k: float, room_c: float) -> None:
        self._resistance_k_w = resistance_k_w
        self._capacity_j_k = capacity_j_k
        self.room_c = room_c
        self.state = room_c

    def after(self, duration_s: float, power_w: float) -> float:
        """Temperature after constant power, degC; the state stays as it is."""
        end = self.room_c + power_w * self._resistance_k_w
        return end + (self.state - end) * math.exp(-duration_s / (self._resistance_k_w * self._capacity_j_k))

    def advance(self, duration_s: float, power_w: float) -> None:
        """Move the state by constant power."""
        self.state = self.after(duration_s, power_w)
