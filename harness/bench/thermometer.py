"""Thermometer by class: one probe, in degrees Celsius."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from harness.bench.reading import AccuracyEntry, Reading
from harness.bench.visa import TIMEOUT_S, Session


class Thermometer:
    """One thermometer."""

    def __init__(self, session: Session, *, temperature_accuracy: AccuracyEntry) -> None:
        self.session = session
        self._accuracy = temperature_accuracy
        self._in_celsius = False
        self._count = 0

    @classmethod
    def open(
        cls,
        name: str,
        address: str,
        *,
        temperature_accuracy: AccuracyEntry,
        timeout_s: float = TIMEOUT_S,
        identity: str | None = None,
    ) -> Self:
        """Connect, by queries only. Raises InstrumentError."""
        session = Session.open(name, address, timeout_s=timeout_s, identity=identity)
        return cls(session, temperature_accuracy=temperature_accuracy)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self.session.close()

    @property
    def identity(self) -> str:
        """The *IDN? text."""
        return self.session.identity

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
