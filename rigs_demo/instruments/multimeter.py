"""Multimeter of the simulated bench: DC voltage between two terminals of a motor, averaged over its aperture."""

from __future__ import annotations

import math
from collections.abc import Mapping

from .engine import Arguments, Instrument
from .errors import ScpiError
from .values import NOT_A_NUMBER, OVER_RANGE, Span, nr3
from .wiring import NS_PER_S, Bench, Integrals, Seeds, average

# A six-digit bench meter's usual figures (common practice, no source).
LINE_CYCLE_S = 0.02
NPLC = Span(low=0.02, high=100.0, default=1.0)
APERTURE = Span(low=NPLC.low * LINE_CYCLE_S, high=NPLC.high * LINE_CYCLE_S, default=LINE_CYCLE_S, unit="S")
RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
RANGE = Span(low=RANGES_V[0], high=RANGES_V[-1], default=10.0, unit="V")
OVER_RANGE_RATIO = 1.2
RESOLUTION = Span(low=1e-6, high=1.0, default=1e-5, unit="V")
SAMPLES = Span(low=1, high=1000, default=1)
DELAY = Span(low=0.0, high=3600.0, default=0.0, unit="S")
NOISE_V = 2e-5
RESOLUTION_V = 1e-6

# Which integral lies between two terminals, and its sign.
BETWEEN = {"AB": (0, 1.0), "BC": (1, 1.0), "CA": (2, 1.0), "BA": (0, -1.0), "CB": (1, -1.0), "AC": (2, -1.0)}


class MultimeterInstrument(Instrument):
    """Commands of a multimeter that knows one function, DC voltage."""

    def __init__(
        self,
        name: str,
        bench: Bench,
        accuracy: Mapping[str, Mapping[str, float]],
        seeds: Seeds,
        *,
        motor: int,
        terminals: str,
    ) -> None:
        super().__init__(f"Rotorgate,SIMULATED multimeter,{name},0")
        self._bench = bench
        self._motor = motor
        self._pair, self._sign = BETWEEN[terminals]
        self._error = seeds.reading_error(
            name, "voltage", accuracy.get("voltage_accuracy", {}), noise=NOISE_V, resolution=RESOLUTION_V
        )
        self._readings: list[float] = []
        self.reset()
        sense = "[SENSe:]VOLTage[:DC]"
        self.add_number(f"{sense}:NPLCycles", NPLC, lambda: self._cycles, self._put_cycles)
        self.add_number(
            f"{sense}:APERture",
            APERTURE,
            lambda: self._cycles * LINE_CYCLE_S,
            lambda s: self._put_cycles(s / LINE_CYCLE_S),
        )
        self.add_number(f"{sense}:RANGe[:UPPer]", RANGE, lambda: self._range_v, self._put_range)
        self.add_boolean(f"{sense}:RANGe:AUTO", lambda: self._auto, self._put_auto)
        self.add_word("[SENSe:]FUNCtion[:ON]", ("VOLTage",), lambda: "VOLTage", lambda _: None)
        self.add_number("SAMPle:COUNt", SAMPLES, lambda: self._samples, self._put_samples)
        self.add_number("TRIGger:DELay", DELAY, lambda: self._delay_s, self._put_delay)
        self.add_word("TRIGger:SOURce", ("IMMediate", "BUS"), lambda: self._trigger, self._put_trigger)
        self.add_query("CONFigure", lambda _: '"VOLT"')
        self.add_setting("CONFigure[:VOLTage][:DC]", self._configure, most=2)
        self.add_query("MEASure[:VOLTage][:DC]", self._measure, most=2)
        self.add_query("READ", lambda _: self._read())
        self.add_query("FETCh", lambda _: self._fetch())
        self.add_action("INITiate[:IMMediate]", self._initiate)
        self.add_action("ABORt", self._abort)
        self.add_action("*TRG", self._triggered)

    def reset(self) -> None:
        """One power line cycle, autorange, one reading at once."""
        self._cycles = NPLC.default
        self._range_v = RANGE.default
        self._auto = True
        self._samples = 1.0
        self._delay_s = 0.0
        self._trigger = "IMMediate"
        self._waiting = False
        self._readings.clear()

    def _put_cycles(self, cycles: float) -> None:
        self._cycles = cycles

    def _put_range(self, range_v: float) -> None:
        self._range_v = next(candidate for candidate in RANGES_V if candidate >= range_v)
        self._auto = False

    def _put_auto(self, on: bool) -> None:
        self._auto = on

    def _put_samples(self, count: float) -> None:
        self._samples = float(round(count))

    def _put_delay(self, delay_s: float) -> None:
        self._delay_s = delay_s

    def _put_trigger(self, source: str) -> None:
        self._trigger = source

    def _configure(self, arguments: Arguments) -> None:
        """CONFigure sets range and resolution, and puts trigger and sample settings back."""
        self._samples, self._delay_s, self._trigger, self._waiting = 1.0, 0.0, "IMMediate", False
        self._auto = True
        if arguments and not (arguments[0].kind == "character" and arguments[0].text in {"AUTO", "DEF", "DEFAULT"}):
            self._put_range(RANGE.read(arguments[0]))
        if len(arguments) > 1:
            RESOLUTION.read(arguments[1])  # accepted and checked; the aperture is what sets the resolution here

    def _measure(self, arguments: Arguments) -> str:
        self._configure(arguments)
        return self._read()

    def _read(self) -> str:
        if self._trigger == "BUS":
            raise ScpiError(-214, "READ? with TRIGger:SOURce BUS would wait for ever")
        self._take()
        return self._fetch()

    def _fetch(self) -> str:
        if not self._readings:
            raise ScpiError(-230, "nothing measured yet")
        return ",".join(nr3(reading) for reading in self._readings)

    def _initiate(self) -> None:
        if self._waiting:
            raise ScpiError(-213)
        if self._trigger == "BUS":
            self._readings.clear()
            self._waiting = True
        else:
            self._take()

    def _abort(self) -> None:
        self._waiting = False

    def _triggered(self) -> None:
        if not self._waiting:
            raise ScpiError(-211)
        self._waiting = False
        self._take()

    def _take(self) -> None:
        self._readings.clear()
        for _ in range(round(self._samples)):
            if self._delay_s > 0.0:
                self._bench.run_for(round(self._delay_s * NS_PER_S))
            true = average(self._bench, self._cycles * LINE_CYCLE_S, self._between_terminals)
            self._readings.append(self._in_range(self._error.read(true, self._cycles)))

    def _between_terminals(self, integrals: Integrals) -> float:
        return self._sign * integrals.terminal_v_s[self._motor][self._pair]

    def _in_range(self, reading_v: float) -> float:
        range_v = RANGES_V[-1] if self._auto else self._range_v
        if math.isnan(reading_v):
            return NOT_A_NUMBER
        if abs(reading_v) > OVER_RANGE_RATIO * range_v:
            return OVER_RANGE if reading_v > 0 else -OVER_RANGE
        return reading_v
