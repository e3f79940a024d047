"""How strong a field or a current a check may set: the rig file's limits and the firmware's own bound our stimulus.

One function for amplitudes and one for currents, so that no check can go over a limit that it is there to watch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from harness.base.errors import MissingCapability
from harness.base.reference import RECIPROCAL_COEFFICIENT_C, REFERENCE_C
from harness.rigfile import RigSpec

RESERVE = 0.9
"""Of a limit that the stimulus may reach: a set current is met within some per cent (arbitrary)."""
FIELD_SHARE = 0.75
"""Supply current over phase current and amplitude: three sines of the phases' power, 3/2 x 1/2."""


class Bound(NamedTuple):
    """The most that is allowed, how to write such a number, and what allows no more."""

    value: float
    form: str
    because: str


def largest_amplitude(spec: RigSpec, motor: str, max_static_duty: float) -> Bound:
    """Amplitude (0 to 1) of a field that may stand. A standing field drives amplitude x V / 2 / R through a phase."""
    ohm, volts = spec.motor[motor].resistance_ohm.low, spec.supply.voltage_v.high
    bounds = {
        _phase_words(spec): RESERVE * spec.limits.phase_current_a * ohm / (volts / 2.0),
        f"the firmware declares max_static_duty {max_static_duty:.2f}": 2.0 * max_static_duty - 1.0,
    }
    if spec.supply.current_limit_a is not None:
        bounds[_supply_words(spec)] = math.sqrt(_left_a(spec) * 2.0 * ohm / (FIELD_SHARE * volts))
    return _least(bounds, "amplitude {:.2g}")


def largest_current_a(spec: RigSpec, motor: str) -> Bound:
    """Current through two phases in series that may stand; the hottest winding draws most from the supply."""
    bounds = {_phase_words(spec): RESERVE * spec.limits.phase_current_a}
    if spec.supply.current_limit_a is not None:
        on = spec.driver.on_resistance_ohm
        k = min(RECIPROCAL_COEFFICIENT_C.values())
        hot = (spec.limits.winding_temperature_c + k) / (REFERENCE_C + k)
        ohm = 2.0 * (spec.motor[motor].resistance_ohm.high * hot + (on.high if on is not None else 0.0))
        bounds[_supply_words(spec)] = math.sqrt(_left_a(spec) * spec.supply.voltage_v.low / ohm)
    return _least(bounds, "{:.2g} A")


def require(bound: Bound, needed: float, what: str) -> None:
    """Raises MissingCapability, with the limit to look at, where `what` needs more than is allowed."""
    if needed > bound.value:
        allowed = bound.form.format(max(0.0, bound.value))
        raise MissingCapability(
            f"because {bound.because}: it allows {allowed}, {what} needs {bound.form.format(needed)}"
        )


def _least(bounds: Mapping[str, float], form: str) -> Bound:
    because = min(bounds, key=lambda words: bounds[words])
    return Bound(bounds[because], form, because)


def _left_a(spec: RigSpec) -> float:
    """Of the supply's current limit, less its reserve and what the bridge draws at most with no phase current."""
    limit_a, idle = spec.supply.current_limit_a or 0.0, spec.driver.idle_current_a
    return max(0.0, RESERVE * limit_a - (idle.high if idle is not None else 0.0))


def _phase_words(spec: RigSpec) -> str:
    return f"limits.phase_current_a is {spec.limits.phase_current_a:g} A"


def _supply_words(spec: RigSpec) -> str:
    return f"supply.current_limit_a is {spec.supply.current_limit_a:g} A"
