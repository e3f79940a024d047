"""DC supply of the simulated bench: one output, constant voltage and constant current, over-voltage protection."""

from __future__ import annotations

from collections.abc import Mapping

from .engine import Arguments, Instrument
from .errors import ScpiError
from .values import Span, nr3
from .wiring import Bench, Seeds, average

# A small bench supply's usual ratings and read-back (common practice, no source).
VOLTAGE = Span(low=0.0, high=32.0, default=0.0, unit="V")
CURRENT = Span(low=0.0, high=5.0, default=0.1, unit="A")
PROTECTION = Span(low=0.5, high=35.0, default=35.0, unit="V")
CHANNEL = Span(low=1, high=1, default=1)
SWITCHING_NS = 2_000_000  # an output relay's few milliseconds (common practice, no source); many grid steps
APERTURE_S = 0.02  # one power line cycle
VOLTAGE_NOISE_V = 3e-4
CURRENT_NOISE_A = 5e-5
VOLTAGE_RESOLUTION_V = 1e-4
CURRENT_RESOLUTION_A = 1e-5

# QUEStionable bits (SCPI-1999 volume 1, 9.3): the quantity named is not under control.
VOLTAGE_UNREGULATED = 1 << 0
CURRENT_UNREGULATED = 1 << 1


class SupplyInstrument(Instrument):
    """Commands of a DC supply. Its stage in the plant says which of its two limits holds."""

    def __init__(self, name: str, bench: Bench, accuracy: Mapping[str, Mapping[str, float]], seeds: Seeds) -> None:
        super().__init__(f"Rotorgate,SIMULATED DC supply,{name},0")
        self._bench = bench
        self._stage = bench.plant.supply
        self._voltage_error = seeds.reading_error(
            name,
            "voltage",
            accuracy.get("voltage_accuracy", {}),
            noise=VOLTAGE_NOISE_V,
            resolution=VOLTAGE_RESOLUTION_V,
        )
        self._current_error = seeds.reading_error(
            name,
            "current",
            accuracy.get("current_accuracy", {}),
            noise=CURRENT_NOISE_A,
            resolution=CURRENT_RESOLUTION_A,
        )
        self._voltage_v = self._current_limit_a = self._protection_v = 0.0
        source = "[SOURce#:]"
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        self.add_number(f"{source}VOLTage{level}", VOLTAGE, lambda: self._voltage_v, self._put_voltage)
        self.add_number(f"{source}CURRent{level}", CURRENT, lambda: self._current_limit_a, self._put_current)
        self.add_number(
            f"{source}VOLTage:PROTection[:LEVel]", PROTECTION, lambda: self._protection_v, self._put_protection
        )
        self.add_query(f"{source}VOLTage:PROTection:TRIPped", lambda _: str(int(self._tripped())))
        self.add_action(f"{source}VOLTage:PROTection:CLEar", self._stage.clear_protection)
        self.add_action("OUTPut#:PROTection:CLEar", self._stage.clear_protection)
        self.add_boolean("OUTPut#[:STATe]", lambda: self._stage.state in {"cv", "cc"}, self._put_output)
        self.add_number("INSTrument:NSELect", CHANNEL, lambda: 1.0, lambda _: None)
        self.add_query("MEASure[:SCALar]:VOLTage[:DC]", self._measure_voltage)
        self.add_query("MEASure[:SCALar]:CURRent[:DC]", self._measure_current)
        self.reset()

    def reset(self) -> None:
        """Output off, lowest voltage, protection at its highest."""
        self._stage.set_output(False)
        self._put_voltage(VOLTAGE.default)
        self._put_current(CURRENT.default)
        self._put_protection(PROTECTION.default)

    def refresh(self) -> None:
        """Constant current: the voltage is not under control; constant voltage: the current is not."""
        conditions = {"cc": VOLTAGE_UNREGULATED, "cv": CURRENT_UNREGULATED}
        self.status.questionable.show(conditions.get(self._stage.state, 0))

    def _tripped(self) -> bool:
        return self._stage.state == "tripped"

    def _put_voltage(self, voltage_v: float) -> None:
        self._voltage_v = voltage_v
        self._stage.set_voltage_v(voltage_v)

    def _put_current(self, current_limit_a: float) -> None:
        self._current_limit_a = current_limit_a
        self._stage.set_current_limit_a(current_limit_a)

    def _put_protection(self, protection_v: float) -> None:
        self._protection_v = protection_v
        self._stage.set_protection_v(protection_v)

    def _put_output(self, on: bool) -> None:
        if on and self._tripped():
            raise ScpiError(-221, "over-voltage protection has tripped; clear it first")
        self._stage.set_output(on)
        self._bench.run_for(SWITCHING_NS)

    def _measure_voltage(self, _: Arguments) -> str:
        true = average(self._bench, APERTURE_S, lambda integrals: integrals.supply_voltage_v_s)
        return nr3(self._voltage_error.read(true))

    def _measure_current(self, _: Arguments) -> str:
        true = average(self._bench, APERTURE_S, lambda integrals: integrals.supply_current_a_s)
        return nr3(self._current_error.read(true))
