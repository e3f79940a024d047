"""Half-bridges, averaged over a carrier period.

An output stands at  (d - k s(i)) V - 2 k Vf s(i) - R_on i  and draws  (d - k s(i)) i  from the bus, with
d the duty, k = dead time x carrier, Vf the diode's drop and s(i) the current's sign, softened where
ripple carries the current through zero in every period (Mohan, Power Electronics, "blanking time"):
while both switches are off the current keeps to the diode that holds it back. Outputs stay between the
rails. Duties of exactly 0 and 1 do not switch and have no dead time.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from rigs_demo.plant.parameters import DriverParameters


class Bridge:
    """Constants of one output; all outputs are alike."""

    __slots__ = ("dead", "diode_v", "drop_v", "lockout_v", "resistance_ohm", "soft_a2")

    def __init__(self, driver: DriverParameters) -> None:
        self.dead = driver.dead_time_s * driver.carrier_hz
        self.diode_v = driver.diode_drop_v
        self.drop_v = 2.0 * self.dead * driver.diode_drop_v
        self.soft_a2 = driver.zero_crossing_a**2
        self.lockout_v = driver.lockout_v
        self.resistance_ohm = driver.on_resistance_ohm

    def output(self, duty: float, current_a: float) -> tuple[float, float]:
        """(duty that is left of it, voltage lost in diodes) at a phase current into the motor."""
        if duty >= 1.0 or duty <= 0.0:
            return duty, 0.0
        sign = current_a / sqrt(current_a * current_a + self.soft_a2)
        duty -= self.dead * sign
        if duty > 1.0:
            duty = 1.0
        elif duty < 0.0:
            duty = 0.0
        return duty, self.drop_v * sign

    def three(
        self, duty: list[float], i_a: float, i_b: float, i_c: float
    ) -> tuple[float, float, float, float, float, float]:
        """`output` for phases A, B, C in one call, because a plant does nothing more often: (duties, voltages)."""
        a, b, c = duty
        if not (0.0 < a < 1.0 and 0.0 < b < 1.0 and 0.0 < c < 1.0):
            (a, lost_a), (b, lost_b), (c, lost_c) = self.output(a, i_a), self.output(b, i_b), self.output(c, i_c)
            return a, b, c, lost_a, lost_b, lost_c
        dead, soft, drop = self.dead, self.soft_a2, self.drop_v
        sign_a = i_a / sqrt(i_a * i_a + soft)
        sign_b = i_b / sqrt(i_b * i_b + soft)
        sign_c = i_c / sqrt(i_c * i_c + soft)
        a -= dead * sign_a
        b -= dead * sign_b
        c -= dead * sign_c
        return (
            1.0 if a > 1.0 else 0.0 if a < 0.0 else a,
            1.0 if b > 1.0 else 0.0 if b < 0.0 else b,
            1.0 if c > 1.0 else 0.0 if c < 0.0 else c,
            drop * sign_a, drop * sign_b, drop * sign_c,
        )  # fmt: skip


class Outputs(NamedTuple):
    """Three outputs at once, before their on-resistance."""

    volts: tuple[float, float, float]
    drawn_a: float
    diode_w: float


def outputs(bridge: Bridge, duty: list[float], bus_v: float, currents: tuple[float, float, float]) -> Outputs:
    """Output voltages, bus current and diode loss of one motor's bridge at its phase currents."""
    volts = []
    drawn = diode = 0.0
    for wanted, current in zip(duty, currents, strict=True):
        left, lost_v = bridge.output(wanted, current)
        volts.append(left * bus_v - lost_v)
        drawn += left * current
        diode += lost_v * current
    return Outputs((volts[0], volts[1], volts[2]), drawn, diode)
