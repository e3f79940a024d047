"""When a winding was heated for long enough: everything that is asked of it is known well enough to be answered."""

from __future__ import annotations

from harness.base.errors import MeasurementError
from harness.checks.thermal import quantities
from harness.checks.thermal.driver import driver_rise
from harness.checks.thermal.heating_curve import HeatingCurve
from harness.nouns.coverage import safe_factor
from harness.nouns.measurand import Measurand
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.rigfile import RigSpec

WELL_ENOUGH = 1.0 / 12.0
"""Standard uncertainty over the deviation that must be seen: the bench alone would see less than half of that 95 times
in 100 at usual risks, and takes little of what the model leaves (arbitrary)."""


def long_enough(heating: Observation, spec: RigSpec, motor: str) -> bool:
    """Whether rise, its fast part and both times are known to WELL_ENOUGH, and no requirement is within reach.

    Within reach is a limit as long as the guard band of the risk of accepting it holds it: more time may decide.
    """
    try:
        curve = HeatingCurve(heating, spec, motor)
        if not curve.two:
            return False
        found = {
            "rise": curve.rise(),
            "fast_rise": curve.fast_rise(),
            "fast_time": curve.fast_time(),
            "slow_time": curve.slow_time(),
            "resistance": curve.resistance(),
        }
        if (driver := driver_rise(heating, curve.readings, motor)) is not None:
            found["driver_rise"] = driver
    except MeasurementError:
        return False
    rows = {row.name: row for row in quantities.CHECK.quantities}
    return all(_known(found[name], rows[name], spec, motor) for name in found)


def _known(quantity: Quantity, row: Measurand, spec: RigSpec, motor: str) -> bool:
    """Whether more time would answer nothing more about it."""
    name = Name(f"{motor}.{quantities.CHECK.name}.{row.name}")
    asked = name.entry_in(spec.detect) or row.detect.entry
    if asked is not None and quantity.u > WELL_ENOUGH * asked.deviation(quantity.value):
        return False
    required = name.entry_in(spec.required)
    if required is None:
        return True
    guard = safe_factor(quantity, spec.rig.false_acceptance_risk) * quantity.u
    limits = [limit for limit in (required.low, required.high) if limit is not None]
    return all(abs(quantity.value - limit) > guard for limit in limits)
