"""Thermometer by class: one probe, in degrees Celsius."""

from __future__ import annotations

from harness.bench.connected import ConnectedInstrument
from harness.bench.visa import Session
from harness.nouns.reading import AccuracyEntry, Reading


class Thermometer(ConnectedInstrument):
    """One thermometer."""

    def __init__(self, session: Session, *, temperature_accuracy: AccuracyEntry) -> None:
        self.session = session
        self._accuracy = temperature_accuracy
        self._in_celsius = False
        self._count = 0

    def measure_temperature(self) -> Reading:
        """Temperature at the probe, degC. The unit is set before the first reading: a thermometer may wake in F."""
        if not self._in_celsius:
            self.session.setting("UNIT:TEMP C")
            self._in_celsius = True
        value = self.session.number("MEAS:TEMP?")
        self._count += 1
        return Reading(
            name=self.session.name,
            function="temperature",
            value=value,
            unit="degC",
            accuracy=self._accuracy,
            number=self._count,
        )
