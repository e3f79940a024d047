"""Multimeter by class: DC voltage, with the aperture in power line cycles."""

from __future__ import annotations

import math
import statistics

from harness.bench.connected import ConnectedInstrument
from harness.bench.visa import Session
from harness.nouns.reading import AccuracyEntry, Reading

LINE_CYCLE_S = 0.02  # at 50 Hz; a 60 Hz meter is a little faster, so a deadline from it holds there too
AUTOZERO = 2.0  # common practice: with autozero each reading is two apertures


class Multimeter(ConnectedInstrument):
    """One multimeter."""

    def __init__(self, session: Session, *, voltage_accuracy: AccuracyEntry) -> None:
        self.session = session
        self._accuracy = voltage_accuracy
        self._set_to: tuple[float, float | None] | None = None
        self._count = 0

    def configure(self, *, cycles: float = 1.0, range_v: float | None = None) -> None:
        """DC voltage over `cycles` power line cycles, on the range that holds `range_v` (None: autorange)."""
        self._set_to = None
        # CONFigure first: it resets trigger and sample settings.
        self.session.setting("CONF:VOLT:DC" if range_v is None else f"CONF:VOLT:DC {range_v!r}")
        self.session.setting(f"VOLT:DC:NPLC {cycles!r}")
        self._set_to = (cycles, range_v)

    def measure_voltage(self, *, cycles: float = 1.0, range_v: float | None = None, samples: int = 1) -> Reading:
        """Mean of `samples` readings, V. With two or more, their spread is the reading's noise.

        Raises InstrumentError, also where a reading is over range.
        """
        if samples < 1:
            raise ValueError(f"samples: at least 1 expected, found {samples}")
        if self._set_to != (cycles, range_v):
            self.configure(cycles=cycles, range_v=range_v)
        limit_s = self.session.timeout_s + AUTOZERO * cycles * LINE_CYCLE_S
        values = [self.session.number("READ?", timeout_s=limit_s) for _ in range(samples)]
        self._count += 1
        spread = statistics.stdev(values) / math.sqrt(samples) if samples > 1 else 0.0
        return Reading(
            name=self.session.name,
            function="voltage",
            value=statistics.fmean(values),
            unit="V",
            accuracy=self._accuracy,
            noise_u=spread,
            noise_dof=samples - 1 if samples > 1 else math.inf,
            number=self._count,
        )
