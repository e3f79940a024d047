"""What stiffness makes of its readings, all referred to 20 degC.

The curve T = Tmax sin(p x deflection) of a held field (one curve, an intercept a branch: their distance is twice the
friction), the slope of the closed loop, their ratio, the largest torque before slip and before clip, torque per ampere
where the supply's current can be read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from harness.base.errors import MeasurementError
from harness.checks.stiffness.held_field import WAYS, open_loop
from harness.checks.stiffness.held_loop import closed_loop, largest_clipped, largest_slipping, loop_points
from harness.checks.stiffness.quantities import CHECK
from harness.checks.stiffness.readings import HoldingReadings, readings_of
from harness.checks.stiffness.stimulus import AMPLITUDE, CLIPS, LOOP, LOOP_INSIDE, NO_SUPPLY
from harness.nouns.loop_span import LoopSpan, span_of
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, propagate, scaled
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

STATED = f"amplitude {AMPLITUDE:g}, at 20 degC"


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The eight quantities, from the observations alone; a part that was not run is left out."""
    by_name = {Name(observation.name).quantity: observation for observation in observations}
    readings = readings_of(spec, motor, by_name)
    sources = tuple(observation.name for observation in observations)
    results: dict[str, Measurement | Unmeasured] = {}

    def give(name: str, quantity: Quantity, note: str = "") -> None:
        full = f"{motor}.stiffness.{name}"
        results[name] = Measurement(name=full, quantity=quantity, observations=sources, note=note)

    held = open_loop(readings)
    give(
        "open_loop",
        scaled(held.peak_torque, readings.pole_pairs, "N m/rad"),
        f"slope at {STATED}",
    )
    give("friction", held.friction)
    give("slip_torque", largest_slipping(readings, held), f"largest torque at {STATED}")
    if held.torque_per_ampere is None:
        results["torque_per_ampere"] = _missing(motor, "torque_per_ampere")
    else:
        give("torque_per_ampere", held.torque_per_ampere)
    if readings.supply_voltage is None:
        results["supply_voltage"] = _missing(motor, "supply_voltage")
    else:
        give("supply_voltage", readings.supply_voltage)
    if LOOP in by_name:
        opened = scaled(held.peak_torque, readings.pole_pairs, "N m/rad")
        results |= _of_loop(motor, give, lambda: closed_loop(readings, held), opened)
        results |= _tried(motor, ("clip_torque",), lambda: give("clip_torque", largest_clipped(readings, held)))
    return [results[name] for name in (row.name for row in CHECK.quantities) if name in results]


def loop_spans(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[LoopSpan]:
    """Where the loop was exercised: its sweep, and on the way to its clip."""
    per_count = math.tau / spec.motor[motor].sensor.counts
    return [
        span_of(
            observation.si("t"),
            observation.si("count") * per_count,
            observation.si("command") * per_count,
            observation.number("hang_rad"),
        )
        for observation in observations
        if Name(observation.name).quantity in (LOOP, LOOP_INSIDE, *CLIPS)
    ]


def _of_loop(
    motor: str, give: Callable[[str, Quantity], None], measured: Callable[[], Quantity], opened: Quantity
) -> dict[str, Unmeasured]:
    """Give the loop's stiffness and its ratio to that of the held field; what cannot be told of them, if so."""

    def both() -> None:
        closed = measured()
        give("closed_loop", closed)
        give("ratio", propagate(lambda closed, opened: closed / opened, "1", closed=closed, opened=opened))

    return _tried(motor, ("closed_loop", "ratio"), both)


def _tried(motor: str, names: Sequence[str], give: Callable[[], None]) -> dict[str, Unmeasured]:
    """Give them; where the loop did not do what they need, why they cannot be told: the held field's stand."""
    try:
        give()
    except MeasurementError as error:
        return {
            name: Unmeasured(name=f"{motor}.stiffness.{name}", outcome=Outcome.CANNOT_TELL, reason=str(error))
            for name in names
        }
    return {}


def _missing(motor: str, name: str) -> Unmeasured:
    return Unmeasured(name=f"{motor}.stiffness.{name}", outcome=Outcome.NOT_RUN, reason=NO_SUPPLY)


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Torque against deflection, for the held field and for the loop."""
    by_name = {Name(observation.name).quantity: observation for observation in observations}
    readings: HoldingReadings = readings_of(spec, motor, by_name)
    held = open_loop(readings)
    begun = {branch: {"way": way, "warm": held.warm} for branch, way in WAYS.items()}
    made = [
        Curve(
            name=f"{motor}.stiffness.open_loop",
            title=f"Held field, amplitude {AMPLITUDE:g}: torque of arm and motion over deflection",
            x_label="deflection",
            x_unit="rad",
            y_label="torque",
            y_unit="N m",
            series=held.points,
            begun=begun,
        )
    ]
    if LOOP in by_name:
        made.append(
            Curve(
                name=f"{motor}.stiffness.closed_loop",
                title="Firmware's loop: torque of arm and motion over position error",
                x_label="set point less reading",
                x_unit="rad",
                y_label="torque",
                y_unit="N m",
                series=loop_points(readings, held),
                begun=begun,
            )
        )
    return made
