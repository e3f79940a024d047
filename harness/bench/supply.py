"""DC supply by class: limits first and read back, then output; readings with the accuracy of the rig file."""

from __future__ import annotations

import math
from enum import Enum

from harness.bench.connected import ConnectedInstrument
from harness.bench.visa import TIMEOUT_S, Session
from harness.nouns.reading import AccuracyEntry, Reading

READ_BACK_RELATIVE = 2e-3  # common practice, no source: setting resolution of a bench supply
READ_BACK_ABSOLUTE = 5e-3  # the same, in volts and amperes

SETTLING_POLLS = 10  # arbitrary: some 0.2 s or more, while capacitors at the output charge

# STATus:QUEStionable:CONDition? (SCPI-1999 volume 1, 9.3): which quantity is not under control.
VOLTAGE_UNREGULATED = 1
CURRENT_UNREGULATED = 2


class OutputState(Enum):
    """What the output does, after IviDCPwr's QueryOutputState."""

    OFF = "off"
    CONSTANT_VOLTAGE = "constant voltage"
    CONSTANT_CURRENT = "constant current"
    OVER_VOLTAGE = "switched off by its over-voltage protection"
    UNREGULATED = "on, unregulated"


def switch_off(address: str, *, channel: int | None = None, name: str = "supply", timeout_s: float = TIMEOUT_S) -> None:
    """Switch an output off over a connection of its own and prove it: for who holds no Supply (the guard).

    Asks nothing before the output is off. Raises InstrumentError.
    """
    with Session(name, address, timeout_s=timeout_s) as session:
        _switch_off(session, channel)


def _switch_off(session: Session, channel: int | None, timeout_s: float | None = None) -> None:
    session.setting(_select(channel) + "OUTP OFF", timeout_s=timeout_s)
    if session.number(_select(channel) + "OUTP?", timeout_s=timeout_s) != 0.0:
        raise session.error("OUTP OFF was taken, but its output is still on")


def _select(channel: int | None) -> str:
    # In the same message as the command, so that nobody can turn the selection between the two.
    return "" if channel is None else f"INST:NSEL {channel};:"


class Supply(ConnectedInstrument):
    """One output of a DC supply; closing the connection leaves it as it is."""

    def __init__(
        self,
        session: Session,
        *,
        voltage_accuracy: AccuracyEntry,
        current_accuracy: AccuracyEntry,
        channel: int | None = None,
    ) -> None:
        self.session = session
        self.channel = channel
        self._accuracy = {"voltage": voltage_accuracy, "current": current_accuracy}
        self._configured = False
        self._count = 0

    def configure(self, *, voltage_v: float, current_limit_a: float, protection_v: float) -> None:
        """Output off, then set voltage, current limit and over-voltage protection, and read each back.

        Raises InstrumentError where the supply refuses one or holds another value than was sent.
        """
        self._configured = False
        self.output_off()
        # From 0 V, so that no order of old and new limits conflicts.
        self._set("VOLT 0")
        for command, value, unit in (
            ("VOLT:PROT", protection_v, "V"),
            ("CURR", current_limit_a, "A"),
            ("VOLT", voltage_v, "V"),
        ):
            self._set(f"{command} {value!r}")
            held = self._number(f"{command}?")
            if not math.isclose(held, value, rel_tol=READ_BACK_RELATIVE, abs_tol=READ_BACK_ABSOLUTE):
                raise self.session.error(f"{command}: set to {value:g} {unit}, but it holds {held:g} {unit}")
        self._configured = True

    def output_on(self) -> OutputState:
        """Switch the output on and give it a few readings' time to reach constant voltage; returns its state then.

        Constant current at the end means that what is connected draws all it may. Raises InstrumentError
        before `configure`, or where the output does not come on.
        """
        if not self._configured:
            raise self.session.error("output not switched on: its limits were not set and read back before")
        self._set("OUTP ON")
        state = self.state()
        for _ in range(SETTLING_POLLS):
            if state is OutputState.CONSTANT_VOLTAGE:
                break
            if state in {OutputState.OFF, OutputState.OVER_VOLTAGE}:
                raise self.session.error(f"output should be on; it is {state.value}")
            self.measure_voltage()  # takes time, on whatever clock the bench has
            state = self.state()
        return state

    def output_off(self, *, timeout_s: float | None = None) -> None:
        """Switch the output off and prove it. Raises InstrumentError."""
        _switch_off(self.session, self.channel, timeout_s)

    def output_enabled(self) -> bool:
        """Whether the output is on. A query only."""
        return self._number("OUTP?") != 0.0

    def state(self) -> OutputState:
        """What the output does."""
        if self._number("VOLT:PROT:TRIP?") != 0.0:
            return OutputState.OVER_VOLTAGE
        if not self.output_enabled():
            return OutputState.OFF
        condition = int(self._number("STAT:QUES:COND?"))
        match bool(condition & VOLTAGE_UNREGULATED), bool(condition & CURRENT_UNREGULATED):
            case False, True:
                return OutputState.CONSTANT_VOLTAGE
            case True, False:
                return OutputState.CONSTANT_CURRENT
        return OutputState.UNREGULATED

    def measure_voltage(self) -> Reading:
        """Voltage at the output's terminals, V."""
        return self._measure("MEAS:VOLT?", "voltage", "V")

    def measure_current(self) -> Reading:
        """Current out of the output, A."""
        return self._measure("MEAS:CURR?", "current", "A")

    def _measure(self, command: str, function: str, unit: str) -> Reading:
        value = self._number(command)
        self._count += 1
        return Reading(
            name=self.session.name,
            function=function,
            value=value,
            unit=unit,
            accuracy=self._accuracy[function],
            number=self._count,
        )

    def _set(self, command: str) -> None:
        self.session.setting(_select(self.channel) + command)

    def _number(self, command: str) -> float:
        return self.session.number(_select(self.channel) + command)
