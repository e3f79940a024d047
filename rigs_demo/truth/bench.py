"""What true values are computed from: one bench with its drawn plant, its firmware and its rig file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rigs_demo.plant.parameters import MotorParameters, Parameters
from rigs_demo.truth.firmware import Firmware
from rigs_demo.truth.static import Still, holding_voltage

Values = dict[str, tuple[float, str]]
"""Value and unit by the quantity's last word; what the parameters do not decide is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBench:
    """One bench, wholly known."""

    parameters: Parameters
    firmware: Firmware
    rig: Mapping[str, Any]
    """The demo's rig file, as parsed."""
    responses: bool
    """Whether loops are run: nine tenths of the time."""

    def motor(self, name: str) -> MotorParameters:
        """A motor's parameters."""
        return self.parameters.motors[name]

    def index(self, name: str) -> int:
        """A motor's place in the drive contract."""
        return list(self.parameters.motors).index(name)

    def still(self, name: str) -> Still:
        """A motor at rest, at the bus voltage that stands while it is held."""
        return Still(self.motor(name), self.parameters.driver, held_bus_v(self.parameters, self.motor(name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """True values of one check: of each motor by itself, or of the whole bench."""

    of_motor: Callable[[KnownBench, str], Values] | None = None
    of_bench: Callable[[KnownBench], Values] | None = None


def held_bus_v(parameters: Parameters, motor: MotorParameters) -> float:
    """Bus voltage while one motor is held: the supply's, or a battery's under that load."""
    volts = parameters.supply.voltage_v
    for _ in range(3 if parameters.supply.battery else 0):
        volts = holding_voltage(parameters, Still(motor, parameters.driver, volts))
    return volts
