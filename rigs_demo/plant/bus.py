"""Supply and the driver's bus capacitor.

    C dV/dt = I_source - I_load

Bench supply: holds its setting (cv) as long as the current stays between 0 and the limit, otherwise
gives the limit (cc) or, when the load feeds back, nothing; over its protection voltage it trips and
stays off. Battery: I_source = (E - V) / R, stepped exactly for a constant load. Source: Kirchhoff;
behaviour of a two-quadrant-less laboratory supply: common practice, no source.
"""

from __future__ import annotations

from math import exp
from typing import Literal

from rigs_demo.plant.parameters import SupplyParameters

State = Literal["off", "cv", "cc", "tripped"]
EMPTY_V = 1e-3
"""Below this a discharging bus is taken for empty (arbitrary; a millivolt moves nothing)."""


class Bus:
    """Voltage of the bus and what the source puts in. Settings act through the plant, at a grid point."""

    __slots__ = (
        "_capacitance_f", "_parameters", "current_a", "current_limit_a", "output", "protection_v", "setting_v",
        "source_j", "source_loss_j", "state", "voltage_v",
    )  # fmt: skip

    def __init__(self, parameters: SupplyParameters, capacitance_f: float) -> None:
        self._parameters = parameters
        self._capacitance_f = capacitance_f
        self.setting_v = parameters.voltage_v if parameters.battery else 0.0
        self.current_limit_a = float("inf") if parameters.battery else 0.0
        self.protection_v = float("inf")
        self.output = parameters.battery
        self.state: State = "cv" if parameters.battery else "off"
        self.voltage_v = parameters.voltage_v if parameters.battery else 0.0
        self.current_a = 0.0
        self.source_j = 0.0
        self.source_loss_j = 0.0

    def stored_j(self) -> float:
        """Energy in the capacitor."""
        return 0.5 * self._capacitance_f * self.voltage_v**2

    def step(self, load_a: float, h_s: float) -> None:
        """One step under a constant load current."""
        if self._parameters.battery:
            self._step_battery(load_a, h_s)
            return
        old = self.voltage_v
        if self.output and old == self.setting_v and 0.0 <= load_a <= self.current_limit_a:
            # What it does nearly always: the source gives what is drawn, and the voltage stands.
            self.state = "cv"
            self.current_a = load_a
            self.source_j += load_a * old * h_s
            if old > self.protection_v:
                self.trip()
            return
        per_farad = h_s / self._capacitance_f
        if self.output:
            # What would bring the bus to the setting within this step.
            wanted = load_a + (self.setting_v - old) / per_farad
            if wanted > self.current_limit_a:
                self.state = "cc"
                wanted = self.current_limit_a
            else:
                self.state = "cv"
                wanted = max(0.0, wanted)
            self.current_a = wanted
        else:
            self.current_a = 0.0
        if self.current_a == load_a:
            new = old
        else:
            new = old + per_farad * (self.current_a - load_a)
            if self.state == "cv" and abs(new - self.setting_v) < 1e-12 * max(1.0, self.setting_v):
                new = self.setting_v
            elif new < EMPTY_V and not self.output:
                new = 0.0
        self.source_j += self.current_a * (old + new) / 2.0 * h_s
        self.voltage_v = new
        if self.output and new > self.protection_v:
            self.trip()

    def _step_battery(self, load_a: float, h_s: float) -> None:
        resistance = self._parameters.internal_resistance_ohm
        emf = self._parameters.voltage_v
        old = self.voltage_v
        end = emf - resistance * load_a
        tau = resistance * self._capacitance_f
        new = end + (old - end) * exp(-h_s / tau)
        mean = end - (new - old) * tau / h_s
        self.current_a = (emf - mean) / resistance
        self.source_j += emf * self.current_a * h_s
        self.source_loss_j += resistance * self.current_a**2 * h_s
        self.voltage_v = new

    def trip(self) -> None:
        """Protection: off until cleared."""
        self.output = False
        self.state = "tripped"

    def settled(self, load_a: float) -> bool:
        """True where another step with this load would change nothing."""
        if self._parameters.battery:
            end = self._parameters.voltage_v - self._parameters.internal_resistance_ohm * load_a
            return abs(self.voltage_v - end) < 1e-9
        if not self.output:
            return self.voltage_v == 0.0
        return self.voltage_v == self.setting_v and 0.0 <= load_a <= self.current_limit_a

    def hold(self, load_a: float, h_s: float) -> None:
        """A long stretch with a load that the source holds without the capacitor taking part."""
        if self._parameters.battery:
            self.source_j += self._parameters.voltage_v * load_a * h_s
            self.source_loss_j += self._parameters.internal_resistance_ohm * load_a**2 * h_s
            self.voltage_v = self.held_voltage_v(load_a)
        else:
            self.source_j += self.voltage_v * load_a * h_s
        self.current_a = load_a

    def held_voltage_v(self, load_a: float) -> float:
        """Bus voltage that this load ends at."""
        if self._parameters.battery:
            return self._parameters.voltage_v - self._parameters.internal_resistance_ohm * load_a
        return self.voltage_v
