"""When a winding was heated for long enough: everything that is asked of it is known well enough to be answered."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.base.errors import MeasurementError
from harness.checks.thermal import quantities
from harness.checks.thermal.driver import driver_rise
from harness.checks.thermal.heating_curve import HeatingCurve
from harness.nouns.measurand import Measurand
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.rigfile import RigSpec

WELL_ENOUGH = 1.0 / 12.0
"""Standard uncertainty over the deviation that must be seen: the bench alone would see less than half of that 95 times
in 100 at usual risks, and takes little of what the model leaves (arbitrary)."""


OF_A_LIMIT = 0.02
"""Standard uncertainty over a required limit: one reading in two of a motor that is 4 % better conforms (arbitrary)."""


TIMES = "fast_time", "slow_time"
"""What is known last, asked first: the scatter of the samples, told at once, mostly says already that it is not."""


def long_enough(heating: Observation, spec: RigSpec, motor: str) -> bool:
    """Whether rise, its fast part and both times are known to WELL_ENOUGH, and what is limited to OF_A_LIMIT.

    By how well they are known alone, never by what they are: to stop as soon as a limit is kept would be to ask again
    and again until it is.
    """
    rows = {row.name: row for row in quantities.CHECK.quantities}
    try:
        curve = HeatingCurve(heating, spec, motor)
        asked: Mapping[str, Callable[[], Quantity | None]] = {
            "rise": curve.rise,
            "fast_rise": curve.fast_rise,
            "fast_time": curve.fast_time,
            "slow_time": curve.slow_time,
            "resistance": curve.resistance,
            "driver_rise": lambda: driver_rise(heating, curve.readings, motor),  # takes longest, and is asked last
        }
        if not curve.two or not all(_known(curve.by_samples(name), rows[name], spec, motor) for name in TIMES):
            return False
        return all(_known(made(), rows[name], spec, motor) for name, made in asked.items())
    except MeasurementError:
        return False


def _known(quantity: Quantity | None, row: Measurand, spec: RigSpec, motor: str) -> bool:
    """Whether more time would answer nothing more about it; None: there is nothing to answer."""
    if quantity is None:
        return True
    name = Name(f"{motor}.{quantities.CHECK.name}.{row.name}")
    asked = name.entry_in(spec.detect) or row.detect.entry
    if asked is not None and quantity.u > WELL_ENOUGH * asked.deviation(quantity.value):
        return False
    required = name.entry_in(spec.required)
    limits = [] if required is None else [limit for limit in (required.low, required.high) if limit]
    return all(quantity.u <= OF_A_LIMIT * abs(limit) for limit in limits)
