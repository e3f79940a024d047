"""What a heating curve says of a winding and of the driver.

Temperature from resistance as in IEC 60034-1, 8.6.2. Rises are referred to exactly CURRENT_A and a room of 20 degC.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.checks.thermal.driver import driver_rise
from harness.checks.thermal.heating_curve import HeatingCurve
from harness.checks.thermal.stimulus import CURRENT_A
from harness.nouns.observation import Observation, observation_named
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

REVERSED = "the multimeter sees the current reversed: its leads, or two of the motor's, are exchanged"


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The planned quantities of one motor from its heating."""
    heating = observation_named(observations, f"{motor}.thermal.heating")
    curve = HeatingCurve(heating, spec, motor)
    note = curve.why
    reversed_leads = REVERSED if curve.readings.reversed else ""
    results: list[Measurement | Unmeasured] = [
        _measurement(motor, "resistance", curve.resistance(), heating.name, reversed_leads),
        _measurement(motor, "rise", curve.rise(), heating.name, note),
    ]
    if curve.two:
        results += [
            _measurement(motor, "fast_rise", curve.fast_rise(), heating.name, note),
            _measurement(motor, "fast_time", curve.fast_time(), heating.name, note),
        ]
    else:
        reason = f"{note}: the fast term cannot be parted from the slow one"
        results += [
            Unmeasured(name=f"{motor}.thermal.{part}", outcome=Outcome.CANNOT_TELL, reason=reason)
            for part in ("fast_rise", "fast_time")
        ]
    results.append(_measurement(motor, "slow_time", curve.slow_time(), heating.name, note))
    driver = driver_rise(heating, curve.readings, motor)
    if driver is None:
        results.append(
            Unmeasured(
                name=f"{motor}.thermal.driver_rise",
                outcome=Outcome.NOT_RUN,
                reason="the firmware has no driver_temperature(): add it (drive contract)",
            )
        )
    else:
        results.append(_measurement(motor, "driver_rise", driver, heating.name, ""))
    return results


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Rise of the winding against time as it would be at CURRENT_A from cold, by what was read and at what current."""
    curve = HeatingCurve(observation_named(observations, f"{motor}.thermal.heating"), spec, motor)
    return [
        Curve(
            name=f"{motor}.thermal.rise",
            title=f"Rise of the winding of {motor} at {CURRENT_A:g} A, referred to it and to a cold motor",
            x_label="time",
            x_unit="s",
            y_label="rise over the cold winding",
            y_unit="K",
            series={"measured": curve.referred()},
        )
    ]


def _measurement(motor: str, part: str, quantity: Quantity, observation: str, note: str) -> Measurement:
    return Measurement(name=f"{motor}.thermal.{part}", quantity=quantity, observations=(observation,), note=note)
