"""What the firmware says of its driver's temperature while a winding is heated, as a final rise at CURRENT_A.

One lag behind a power of the current, with whatever an earlier check has left in it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.thermal.readings import Readings, moments
from harness.checks.thermal.stimulus import CURRENT_A
from harness.fits.lags import LevelRecord, Response, respond
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, combine, rectangular, repeats, scaled

STEP_K = 0.081
"""Step of the driver's temperature: a board's 12 bit converter of 3.3 V at 10 mV/K (handbook)."""
EXPONENTS, EXPONENT_DOUBT = (1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9, 2.0, 2.1, 2.2), 0.1
"""Of a driver's loss over its current: 2 for resistance, a little more as it warms, 1 for diodes and switching
(textbook); the one that fits best is taken, with the half-width of a step."""


def driver_rise(heating: Observation, readings: Readings, motor: str) -> Quantity | None:
    """Final rise of the driver, change of the room taken off, K; None if the firmware reports none.

    Raises MeasurementError where too little was read to tell its lag.
    """
    steps = [
        rectangular(0.0, STEP_K / 2.0, "K", f"{motor} driver's converter, {state}", "a finer converter")
        for state in ("cold", "hot")
    ]
    if readings.begun_cold:
        rise = _from_ends(heating, readings)
    else:
        rows = np.array(heating.rows("driver"))
        rise = _from_lag(rows, heating.name, readings, motor) if rows.size else None
    return None if rise is None else combine(((1.0, rise), *((1.0, step) for step in steps)), "K")


def _from_ends(heating: Observation, readings: Readings) -> Quantity | None:
    """Cold and hot, as harnesses before read them."""
    cold, hot = (heating.numbers(part) for part in ("driver_cold_c", "driver_hot_c"))
    if len(cold) < 2 or len(hot) < 2:
        return None
    raw = combine(
        (
            (1.0, repeats(hot, "K", f"{heating.name} driver hot")),
            (-1.0, repeats(cold, "K", f"{heating.name} driver cold")),
        ),
        "K",
    )
    less = replace(raw, value=raw.value - float(readings.room(readings.at_s).last[-1]))
    return scaled(less, (CURRENT_A / float(readings.current[-1])) ** 2, "K")


def _from_lag(rows: np.ndarray, source: str, readings: Readings, motor: str) -> Quantity:
    found = moments(rows)
    at_s = np.array([moment for moment, _ in found])
    degrees = np.array([float(np.mean(values)) for _, values in found])
    degrees = degrees - np.interp(at_s, readings.at_s, np.append(0.0, readings.room(readings.at_s).last))

    def response(exponent: float) -> Response:
        drive = readings.current_behind(at_s, exponent)
        record = LevelRecord(drive=drive, places=np.searchsorted(drive.at_s, at_s), y=degrees, at_rest=False)
        try:
            return respond(record, most_terms=1)
        except MeasurementError as error:
            raise MeasurementError(f"{motor}: the driver's temperature tells no rise: {error}") from error

    def gain(exponent: float) -> Quantity:
        return response(exponent).fit.quantities(["K", "K", "K", "1"], f"{source} driver", "more readings")[2]

    exponent = min(EXPONENTS, key=lambda each: response(each).fit.chi_squared)
    rise = gain(exponent)
    apart = max(abs(gain(exponent + step).value - rise.value) for step in (-EXPONENT_DOUBT, EXPONENT_DOUBT))
    doubt = rectangular(0.0, apart, "K", f"{motor} driver's loss over its current", "a longer record")
    return combine(((1.0, rise), (1.0, doubt)), "K")
