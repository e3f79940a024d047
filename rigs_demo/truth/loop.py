"""The firmware's position loop on the plant, without noise: what the shaft does at a sequence of set points.

Passes come once a period, each phase's duty as long after the reading as on the simulated board. The reading is
taken as a real number, because noise spreads it over several codes; the field's table rounds as the firmware does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import cos, floor, tau

from rigs_demo.plant.parameters import Parameters
from rigs_demo.plant.plant import Plant
from rigs_demo.plant.sensor import reading_rad
from rigs_demo.truth.firmware import COUNTS, PUT_OUT_S, Firmware

CURRENT_LIMIT_A = 1.5
PROTECTION_V = 14.0
PHASE_NS = 512_000
"""Where in a millisecond the passes were observed; against the plant's grid it decides when duties act."""
BOUND = 1e6
"""Thermal capacities are raised by this: the definitions refer everything to 20 degC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What a shaft did after a set point: readings once a pass, from the pass before the change."""

    initial_rad: float
    set_point_rad: float
    period_s: float
    reading_rad: Sequence[float]
    still: bool
    """False where the shaft had not come to rest when the time was over."""

    @property
    def final_rad(self) -> float:
        """Where it ended."""
        return self.reading_rad[-1]


class ClosedLoop:
    """One motor in closed loop, the other off."""

    def __init__(self, parameters: Parameters, firmware: Firmware, name: str, setting_v: float, parts: int) -> None:
        self.plant = Plant(at_20_c(parameters), parts=parts)
        self._firmware = firmware
        self._index = list(parameters.motors).index(name)
        self._motor = parameters.motors[name]
        self._pass = 0
        self._period_ns = round(firmware.period_s * 1e9)
        held_passes, rest_s = divmod(firmware.late_s, firmware.period_s)
        self._held: deque[float] = deque([0.0] * round(held_passes))
        self._put_out_ns = [round((delay + rest_s) * 1e9) for delay in PUT_OUT_S]
        supply = self.plant.supply
        supply.set_voltage_v(setting_v)
        supply.set_current_limit_a(CURRENT_LIMIT_A)
        supply.set_protection_v(PROTECTION_V)
        supply.set_output(True)
        self.plant.advance_to(100 * self._period_ns)
        self._pass = 100
        self.target_rad = self._read(self._time_ns())
        self.plant.set_enabled(self._index, True)

    def _time_ns(self) -> int:
        return self._pass * self._period_ns + PHASE_NS

    def _read(self, t_ns: int) -> float:
        theta = self.plant.shaft_rad(self._index, t_ns - round(self._motor.sensor.latency_s * 1e9))
        return reading_rad(self._motor, theta)

    def _once(self) -> float:
        """One pass of the firmware; the reading it used."""
        firmware, plant = self._firmware, self.plant
        latch_ns = self._time_ns()
        plant.advance_to(latch_ns)
        reading = self._read(latch_ns)
        self._held.append(self.target_rad - reading)
        demand = self._held.popleft() * firmware.gain_per_rad
        demand = max(-firmware.limit, min(firmware.limit, demand))
        count = reading / tau * COUNTS
        entry = floor(count * firmware.table * firmware.pole_pairs / COUNTS) + firmware.offset_index[self._index]
        ahead = tau * entry / firmware.table + tau / 4.0
        for phase, delay_ns in enumerate(self._put_out_ns):
            plant.advance_to(latch_ns + delay_ns)
            plant.set_duty(self._index, phase, 0.5 + 0.5 * demand * cos(ahead - phase * tau / 3.0))
        self._pass += 1
        return reading

    def move(self, set_point_rad: float, at_most_s: float, at_least_s: float = 0.3, rest_s: float = 0.1) -> Move:
        """Change the set point and run until the shaft has stood still for `rest_s`, or time is over."""
        readings = [self._once()]
        initial = readings[0]
        self.target_rad = set_point_rad
        resting = 0
        shaft = self.plant.motors[self._index].shaft
        needed = round(rest_s / self._firmware.period_s)
        least, most = (round(seconds / self._firmware.period_s) for seconds in (at_least_s, at_most_s))
        while len(readings) < most and (len(readings) < least or resting < needed):
            readings.append(self._once())
            resting = resting + 1 if shaft.omega_rad_s == 0.0 else 0
        return Move(
            initial_rad=initial,
            set_point_rad=set_point_rad,
            period_s=self._firmware.period_s,
            reading_rad=readings,
            still=resting >= needed,
        )


def at_20_c(parameters: Parameters) -> Parameters:
    """The same rig in a room of 20 degC, with windings that current does not warm."""
    motors = {}
    for name, motor in parameters.motors.items():
        thermal = replace(motor.thermal, winding_capacity_j_k=motor.thermal.winding_capacity_j_k * BOUND)
        motors[name] = replace(motor, thermal=thermal)
    return replace(parameters, room_c=20.0, motors=motors)
