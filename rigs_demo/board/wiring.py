"""What is soldered to the simulated board. Invented for the demo; the rig file names phase and enable pins."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

SELECT_PINS = {"leaf": 17, "wheel": 20}
PULSE_PINS = {"leaf": 21, "wheel": 22}
DRIVER_TEMPERATURE_PIN = 26
THERMOMETER_ZERO_V = 0.5
THERMOMETER_V_PER_C = 0.010
ADC_REFERENCE_V = 3.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Pin numbers and what hangs on them; motors by their place in the rig file."""

    phases: Mapping[int, tuple[int, int]]
    enables: Mapping[int, int]
    selects: Mapping[int, int]
    pulses: Mapping[int, int]

    @classmethod
    def of(cls, rig: Mapping[str, Any]) -> Wiring:
        """The wiring of a demo rig."""
        motors: Mapping[str, Any] = rig["motor"]
        return cls(
            phases={
                pin: (index, phase)
                for index, motor in enumerate(motors.values())
                for phase, pin in enumerate(motor["phase_pins"])
            },
            enables={motor["enable_pin"]: index for index, motor in enumerate(motors.values())},
            selects={SELECT_PINS[name]: index for index, name in enumerate(motors)},
            pulses={PULSE_PINS[name]: index for index, name in enumerate(motors)},
        )
