"""Thermometer of the simulated bench: one probe in the air beside the motors."""

from __future__ import annotations

from collections.abc import Mapping

from .engine import Arguments, Instrument
from .errors import ScpiError
from .values import nr3
from .wiring import NS_PER_S, Bench, Seeds

APERTURE_S = 0.1
NOISE_K = 0.01  # a resistance thermometer's usual spread (common practice, no source)
RESOLUTION_K = 0.001

UNITS = ("C", "K", "F")


class ThermometerInstrument(Instrument):
    """Commands of a thermometer. *RST leaves it in degrees Celsius."""

    def __init__(self, name: str, bench: Bench, accuracy: Mapping[str, Mapping[str, float]], seeds: Seeds) -> None:
        super().__init__(f"Rotorgate,SIMULATED thermometer,{name},0")
        self._bench = bench
        self._error = seeds.reading_error(
            name, "temperature", accuracy.get("temperature_accuracy", {}), noise=NOISE_K, resolution=RESOLUTION_K
        )
        self._unit = "C"
        self._reading_c: float | None = None
        self.add_word("UNIT:TEMPerature", UNITS, lambda: self._unit, self._put_unit)
        self.add_setting("CONFigure[:TEMPerature]", lambda _: None, most=2)
        self.add_query("MEASure[:TEMPerature]", lambda _: self._read(), most=2)
        self.add_query("READ", lambda _: self._read())
        self.add_query("FETCh", self._fetch)
        self.add_action("INITiate[:IMMediate]", self._take)
        self.add_action("ABORt", lambda: None)

    def reset(self) -> None:
        """Degrees Celsius, no reading."""
        self._unit = "C"
        self._reading_c = None

    def _put_unit(self, unit: str) -> None:
        self._unit = unit

    def _take(self) -> None:
        self._bench.run_for(round(APERTURE_S * NS_PER_S))
        self._reading_c = self._error.read(self._bench.plant.room_temperature_c())

    def _read(self) -> str:
        self._take()
        return self._fetch(())

    def _fetch(self, _: Arguments) -> str:
        if self._reading_c is None:
            raise ScpiError(-230, "nothing measured yet")
        shown = {"C": self._reading_c, "K": self._reading_c + 273.15, "F": self._reading_c * 1.8 + 32.0}
        return nr3(shown[self._unit])
