"""What a heating curve says of a winding and of the driver.

Temperature from resistance as in IEC 60034-1, 8.6.2. The cold reading is the heating curve drawn back to t = 0. Rises
are referred to exactly CURRENT_A and a room of 20 degC.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.checks.thermal.heating_curve import HeatingCurve
from harness.checks.thermal.stimulus import CURRENT_A
from harness.nouns.observation import Observation, observation_named
from harness.nouns.quantity import Quantity
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

REVERSED = "the multimeter sees the current reversed: its leads, or two of the motor's, are exchanged"


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The planned quantities of one motor from its cold readings and its heating curve."""
    heating = observation_named(observations, f"{motor}.thermal.heating")
    heated = HeatingCurve(heating, spec, motor)
    curve = heated.curve
    note = curve.why
    results: list[Measurement | Unmeasured] = [
        _measurement(motor, "resistance", heated.resistance(), heating.name, REVERSED if heated.reversed else ""),
        _measurement(motor, "rise", heated.rise(), heating.name, note),
    ]
    if curve.fast_change is None or curve.fast_time is None:
        reason = f"{note}: the fast term cannot be parted from the slow one"
        results += [
            Unmeasured(name=f"{motor}.thermal.{part}", outcome=Outcome.CANNOT_TELL, reason=reason)
            for part in ("fast_rise", "fast_time")
        ]
    else:
        results += [
            _measurement(motor, "fast_rise", heated.fast_rise(curve.fast_change), heating.name, note),
            _measurement(motor, "fast_time", heated.fast_time(curve.fast_time), heating.name, note),
        ]
    results.append(_measurement(motor, "slow_time", heated.slow_time(), heating.name, note))
    driver = heated.driver_rise()
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
    """Rise of the winding over its cold state against time."""
    heating = observation_named(observations, f"{motor}.thermal.heating")
    heated = HeatingCurve(heating, spec, motor)
    times, rise = (
        heating.si("t"),
        (heated.ohm / heated.curve.start.value - 1.0) * (heated.k.value + heated.room_cold.value),
    )
    return [
        Curve(
            name=f"{motor}.thermal.rise",
            title=f"Rise of the winding of {motor} at {CURRENT_A:g} A",
            x_label="time",
            x_unit="s",
            y_label="rise over the cold winding",
            y_unit="K",
            series={"measured": tuple(zip(times.tolist(), rise.tolist(), strict=True))},
        )
    ]


def _measurement(motor: str, part: str, quantity: Quantity, observation: str, note: str) -> Measurement:
    return Measurement(name=f"{motor}.thermal.{part}", quantity=quantity, observations=(observation,), note=note)
