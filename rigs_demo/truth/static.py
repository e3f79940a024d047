"""Torque and current of a motor that stands still, solved from the plant's own bridge and winding.

All at 20 degC for windings and magnets, as the definitions ask, and averaged over the angle of the field:
dead time makes torque ripple six times an electrical turn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, hypot, pi, sin, tau

from rigs_demo.plant.bridge import Bridge
from rigs_demo.plant.parameters import DriverParameters, MotorParameters, Parameters
from rigs_demo.plant.standstill import Standstill, solve
from rigs_demo.plant.winding import PAIR

AMPLITUDE = 0.6
"""Of a held field, by definition."""
ANGLES = 24
"""Angles over a turn that a mean is taken over; harmonics of dead time up to the 18th average out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One static solution."""

    torque_n_m: float
    current_a: float
    """Length of the current's space vector: the peak of a phase."""
    bus_a: float


class Still:
    """One motor at rest at a bus voltage. Fields are the board's, before the wiring."""

    def __init__(self, motor: MotorParameters, driver: DriverParameters, bus_v: float) -> None:
        self._motor = motor
        self._bridge = Bridge(driver)
        self._bus_v = bus_v
        self._pair = None if motor.open_winding is None else next(p for p in PAIR if motor.open_winding not in p)

    def at(self, field_rad: float, amplitude: float, electrical_rad: float) -> Held:
        """Solution for a field of the board and the rotor at an electrical angle."""
        motor = self._motor
        duty = [0.5, 0.5, 0.5]
        for phase, winding in enumerate(motor.wiring):
            duty[winding] = 0.5 + 0.5 * amplitude * cos(field_rad - phase * tau / 3.0)
        r = motor.resistance_ohm
        still = solve(self._bridge, duty, self._bus_v, electrical_rad, (r, r, r), (0.0, 0.0), self._pair)
        return Held(torque_n_m=self._torque(still), current_a=hypot(still.i_d, still.i_q), bus_a=still.bus_a)

    def _torque(self, still: Standstill) -> float:
        motor = self._motor
        saliency_h = motor.inductance_d_h - motor.inductance_q_h
        flux = motor.flux_linkage_v_s
        return 1.5 * motor.pole_pairs * (flux * still.i_q + saliency_h * still.i_d * still.i_q)

    def mean_torque(self, amplitude: float, ahead_rad: float) -> float:
        """Mean torque with the field `ahead_rad` before the rotor."""
        return mean(lambda turn: self.at(turn, amplitude, turn - ahead_rad).torque_n_m)

    def mean_current(self, amplitude: float) -> float:
        """Mean peak phase current; the rotor's place does not matter at rest."""
        return mean(lambda turn: self.at(turn, amplitude, turn).current_a)

    def mean_bus(self, amplitude: float) -> float:
        """Mean current drawn from the bus."""
        return mean(lambda turn: self.at(turn, amplitude, turn).bus_a)

    def peak(self, amplitude: float) -> float:
        """First sine coefficient of mean torque over the torque angle."""
        return mean(lambda ahead: 2.0 * sin(ahead) * self.mean_torque(amplitude, ahead))

    def largest(self, amplitude: float) -> float:
        """Largest mean torque over the torque angle (a parabola through the top three of a grid)."""
        step = pi / 48.0
        grid = [self.mean_torque(amplitude, pi / 2.0 + k * step) for k in range(-8, 9)]
        top = max(range(1, len(grid) - 1), key=lambda k: grid[k])
        left, middle, right = grid[top - 1 : top + 2]
        bend = left - 2.0 * middle + right
        return middle if bend == 0.0 else middle - (right - left) ** 2 / (8.0 * bend)


def mean(function: Callable[[float], float]) -> float:
    """Mean over a turn."""
    return sum(function(tau * k / ANGLES) for k in range(ANGLES)) / ANGLES


def holding_voltage(parameters: Parameters, still: Still) -> float:
    """Voltage at the supply's terminals with one motor held, nothing taken by the other."""
    supply = parameters.supply
    drawn = parameters.driver.idle_current_a + still.mean_bus(AMPLITUDE)
    return supply.voltage_v - supply.internal_resistance_ohm * drawn
