"""The simulated board's pins, pulse-width unit, buses and converter, between its page and the plant."""

from __future__ import annotations

from typing import Protocol

from rigs_demo.board import page as p
from rigs_demo.board.wiring import (
    ADC_REFERENCE_V,
    DRIVER_TEMPERATURE_PIN,
    THERMOMETER_V_PER_C,
    THERMOMETER_ZERO_V,
    Wiring,
)

PINS = 30
CPU_HZ = 125_000_000
"""Clock of the pulse-width unit; the shadow module's machine.freq() says the same (arbitrary)."""
WATCHDOG_UNIT_NS = 1_000_000


class PlantPort(Protocol):
    """What the board's hardware needs of a plant."""

    @property
    def time_ns(self) -> int:
        """Time of the last committed grid step."""
        ...

    def advance_to(self, t_ns: int) -> None:
        """Commit whole grid steps up to `t_ns`."""
        ...

    def set_duty(self, motor: int, phase: int, duty: float) -> None:
        """Share of the carrier period in which the phase is high; acts at the next grid point."""
        ...

    def set_enabled(self, motor: int, enabled: bool) -> None:
        """Bridge on, or at high impedance; acts at the next grid point."""
        ...

    def sensor_word(self, motor: int, t_ns: int) -> int:
        """16-bit word of the angle sensor, latched at `t_ns`."""
        ...

    def sensor_pulse(self, motor: int, t_ns: int) -> tuple[int, int, int]:
        """Pulse output of the angle sensor in the frame at `t_ns`: (rising edge, high time, period), all in ns."""
        ...

    def driver_temperature_c(self) -> float:
        """Temperature of the driver."""
        ...


class Hardware:
    """State of the pins. Writes come in the order of their times."""

    def __init__(self, plant: PlantPort, wiring: Wiring) -> None:
        self.plant = plant
        self._wiring = wiring
        self.watchdog_ns: int | None = None
        self._timeout_ns = 0
        self._slices: dict[int, list[int]] = {}
        """Top and compare value of the pulse-width unit at each pin, whether the pin is the unit's or not."""
        self._pulsed: set[int] = set()
        """Pins that are the unit's."""
        self._level = [0] * PINS
        self._output = [False] * PINS
        self._pull_up = [False] * PINS
        self._words: dict[int, int] = {}
        self._read = 0

    def release(self) -> None:
        """What a reset does: every pin an input, pull-downs keep the bridges off."""
        self._pulsed.clear()
        self._slices.clear()
        self._level = [0] * PINS
        self._output = [False] * PINS
        self._pull_up = [False] * PINS
        self._words.clear()
        for motor, phase in self._wiring.phases.values():
            self.plant.set_duty(motor, phase, 0.0)
        for motor in self._wiring.enables.values():
            self.plant.set_enabled(motor, False)

    def write(self, t_ns: int, what: int, value: int) -> None:
        """One posted write."""
        self.plant.advance_to(t_ns)
        operation, pin = what >> 16, what & 0xFFFF
        if operation == p.PWM_DUTY:
            self._slices.setdefault(pin, [0xFFFF, 0])[1] = value
            self._pulse(pin)
        elif operation == p.PIN_LEVEL:
            self._level[pin] = value
            self._pin_changed(t_ns, pin)
        elif operation == p.PIN_MODE:
            self._pulsed.discard(pin)
            self._output[pin] = bool(value & 0xF)
            self._pull_up[pin] = bool(value >> 4 & 1)
            self._pin_changed(t_ns, pin)
        elif operation == p.PWM_HZ:
            old = self._slices.get(pin, [value, 0])
            self._slices[pin] = [value, old[1] * (value + 1) // (old[0] + 1)]
            self._pulse(pin)
        elif operation == p.PWM_ON:
            self._pulsed.add(pin)
            self._pulse(pin)
        elif operation == p.PWM_OFF:
            # The counter stops where it is and the pin stays as it was, high included.
            self._level[pin] = self._pulsed_level(t_ns, pin)
            self._pulsed.discard(pin)
            self._slices.pop(pin, None)
            self._output[pin] = True
            self._pin_changed(t_ns, pin)
        elif operation == p.WATCHDOG:
            self._timeout_ns = value * WATCHDOG_UNIT_NS
            self.watchdog_ns = t_ns + self._timeout_ns

    def _pulse(self, pin: int) -> None:
        """Let the pulse-width unit drive a pin that is its own."""
        if pin in self._pulsed:
            top, compare = self._slices.get(pin, (0xFFFF, 0))
            self._drive(pin, compare / (top + 1))

    def _pulsed_level(self, t_ns: int, pin: int) -> int:
        top, compare = self._slices.get(pin, (0, 0))
        return 1 if t_ns * (CPU_HZ // 1_000_000) // 1000 % (top + 1) < compare else 0

    def _drive(self, pin: int, duty: float) -> None:
        place = self._wiring.phases.get(pin)
        if place is not None:
            self.plant.set_duty(place[0], place[1], min(duty, 1.0))

    def _pin_changed(self, t_ns: int, pin: int) -> None:
        high = self._output[pin] and self._level[pin] == 1
        if pin in self._wiring.selects:
            motor = self._wiring.selects[pin]
            if self._output[pin] and not self._level[pin]:
                if motor not in self._words:  # a falling select latches the angle, one that stays low does not
                    self._words[motor] = self.plant.sensor_word(motor, t_ns)
            else:
                self._words.pop(motor, None)
        elif pin in self._wiring.enables:
            self.plant.set_enabled(self._wiring.enables[pin], high)
        elif pin in self._wiring.phases and pin not in self._pulsed:
            self._drive(pin, 1.0 if high else 0.0)

    def transfer(self, length: int) -> bytes:
        """What comes back over SPI while `length` bytes go out; an open line reads high, two chips at once mix."""
        if not self._words:
            return b"\xff" * length
        word = 0xFFFF
        for latched in self._words.values():
            word &= latched
        return word.to_bytes(2, "big").ljust(length, b"\0")[:length]

    def level(self, t_ns: int, pin: int) -> int:
        """Level of a pin at `t_ns`."""
        motor = self._wiring.pulses.get(pin)
        if motor is not None:
            rising, high, _ = self.plant.sensor_pulse(motor, t_ns)
            return 1 if rising <= t_ns < rising + high else 0
        if pin in self._pulsed:
            return self._pulsed_level(t_ns, pin)
        if self._output[pin]:
            return self._level[pin]
        return 1 if self._pull_up[pin] else 0

    def next_edge(self, t_ns: int, pin: int) -> tuple[int, int] | None:
        """Time and new level of the next edge after `t_ns` that something outside puts on `pin`."""
        motor = self._wiring.pulses.get(pin)
        if motor is None:
            return None
        rising, high, period = self.plant.sensor_pulse(motor, t_ns)
        if t_ns < rising:
            return rising, 1
        if t_ns < rising + high:
            return rising + high, 0
        return rising + period, 1

    def converter(self, channel: int) -> int:
        """Reading of the 12-bit converter as 16 bits, its top bits repeated below."""
        if channel not in (DRIVER_TEMPERATURE_PIN, 0):
            return 0
        voltage = THERMOMETER_ZERO_V + THERMOMETER_V_PER_C * self.plant.driver_temperature_c()
        code = min(4095, max(0, int(voltage / ADC_REFERENCE_V * 4096)))
        return code << 4 | code >> 8
