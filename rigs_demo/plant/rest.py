"""The whole rig at rest: what all motors and the bus do together while nothing but temperature moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rigs_demo.plant.bus import Bus
from rigs_demo.plant.coupling import Coupling
from rigs_demo.plant.motor import Motor
from rigs_demo.plant.parameters import DriverParameters
from rigs_demo.plant.standstill import NOTHING, Standstill


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfWay:
    """State at the middle of a time at rest, which stands for the whole of it."""

    stills: Sequence[Standstill]
    load_a: float
    bus_v: float


class Rest:
    """Looks at motors and bus and changes neither."""

    __slots__ = ("_bus", "_coupling", "_driver", "_motors", "_rounds")

    def __init__(
        self, motors: Sequence[Motor], bus: Bus, driver: DriverParameters, coupling: Coupling | None, *, battery: bool
    ) -> None:
        self._motors = motors
        self._bus = bus
        self._driver = driver
        self._coupling = coupling
        # A battery's voltage depends on the currents that it drives: a few rounds settle both.
        self._rounds = 3 if battery else 1

    def idle_a(self, volts: float) -> float:
        """What the board itself draws."""
        return self._driver.idle_current_a * min(1.0, volts / self._driver.lockout_v)

    def load_a(self, stills: Sequence[Standstill]) -> float:
        """What board and motors draw at the present bus voltage."""
        return self.idle_a(self._bus.voltage_v) + sum(still.bus_a for still in stills)

    def stills(self) -> list[Standstill] | None:
        """Every motor's standstill, or None while one moves or its currents do."""
        if self._coupling is not None and self._coupling.twist_rad() != 0.0:
            return None
        stills = [motor.standstill for motor in self._motors if motor.standstill is not None]
        return stills if len(stills) == len(self._motors) else None

    def settled(self, stills: Sequence[Standstill]) -> bool:
        """True where the bus stands still under these."""
        return self._bus.settled(self.load_a(stills))

    def half_way(self, begun: Sequence[Standstill], duration_s: float) -> HalfWay:
        """State at the middle of `duration_s` from the standstills it begins with."""
        volts = self._bus.voltage_v
        load = self.load_a(begun)
        stills = begun
        if any(still is not NOTHING for still in begun):
            half = [
                motor.heat.after(duration_s / 2.0, still.copper_w)
                for motor, still in zip(self._motors, begun, strict=True)
            ]
            for _ in range(self._rounds):
                volts = self._bus.held_voltage_v(load)
                stills = [
                    motor.still(volts, temperatures) for motor, temperatures in zip(self._motors, half, strict=True)
                ]
                load = self.load_a(stills)
        return HalfWay(stills=stills, load_a=load, bus_v=volts)
