"""Front panel of the bench supply: settings that act at a grid point of the plant."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from rigs_demo.plant.bus import Bus, State
from rigs_demo.plant.parameters import SupplyParameters

Setting = Literal["setting_v", "current_limit_a", "protection_v"]


class SupplyControl:
    """What can be set and seen. A battery has no panel: setting one does nothing."""

    __slots__ = ("_bus", "_later", "_parameters")

    def __init__(self, bus: Bus, parameters: SupplyParameters, later: Callable[[Callable[[], None]], None]) -> None:
        self._bus = bus
        self._parameters = parameters
        self._later = later

    def set_voltage_v(self, volts: float) -> None:
        """Set the output voltage; the true one is off by the supply's own setting error."""
        self._set("setting_v", volts * self._parameters.setting_gain)

    def set_current_limit_a(self, amps: float) -> None:
        """Set the current limit."""
        self._set("current_limit_a", amps)

    def set_protection_v(self, volts: float) -> None:
        """Set the voltage beyond which the output trips."""
        self._set("protection_v", volts)

    def set_output(self, on: bool) -> None:
        """Switch the output; a tripped one stays off until cleared."""
        bus = self._bus

        def act() -> None:
            if bus.state == "tripped":
                return
            bus.output = on
            bus.state = "cv" if on else "off"

        if not self._parameters.battery:
            self._later(act)

    def clear_protection(self) -> None:
        """Forget a trip; the output stays off."""
        bus = self._bus

        def act() -> None:
            if bus.state == "tripped":
                bus.state = "off"

        self._later(act)

    @property
    def state(self) -> State:
        """What the supply does now."""
        return self._bus.state

    @property
    def setting_v(self) -> float:
        """Voltage set, as the front panel shows it."""
        return self._bus.setting_v / self._parameters.setting_gain

    def _set(self, name: Setting, value: float) -> None:
        bus = self._bus
        if not self._parameters.battery:
            self._later(lambda: setattr(bus, name, value))
