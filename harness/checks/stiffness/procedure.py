"""Holding stiffness: a field held open loop, and the firmware's loop, under the known torque of a gravity arm.

What is measured, all referred to 20 degC: the curve T = Tmax sin(p x deflection) of a held field (one curve, an
intercept a branch: their distance is twice the friction), the slope of the closed loop, their ratio, the largest
torque before slip and before clip, torque per ampere where the supply's current can be read.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.acting.hold import Hold
from harness.acting.strength import largest_amplitude, require
from harness.checks.stiffness.held_field import open_loop
from harness.checks.stiffness.held_loop import closed_loop, largest_clipped, largest_slipping, loop_points
from harness.checks.stiffness.readings import Readings, readings_of
from harness.nouns.names import Name
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, propagate, scaled
from harness.nouns.results import Curve, Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.bench.rig import Rig

PLANNED = (
    "open_loop",
    "closed_loop",
    "ratio",
    "friction",
    "slip_torque",
    "clip_torque",
    "torque_per_ampere",
    "supply_voltage",
)
AMPLITUDES = (0.3, 0.6)
"""Two, so that the sensor's error cancels at one shaft angle; the smaller still carries the arm at REACH_RAD."""
REACH_RAD = 0.40
LOOP_REACH_RAD = 0.50
SLIP_REACH_RAD = 0.60
SPEED_RAD_S = 1.0
"""Well above the speed at which cogging passes at the swinging frequency of the arm (0.4 rad/s at 132 periods a turn
and 50 rad/s), where it would shake the shaft; what the speed adds to friction, Kt^2/(1.5 R) times it, is corrected."""
EDGE_S = 0.3
"""Two swings of the arm on a held field: an edge that long hardly sets it swinging."""
ROW_S = 4e-3
"""Fast enough to see the swinging that is left, so that its inertia can be taken off."""
TRAVEL_RAD_S = 1.5
"""Speed of a way that is not measured."""
CLIP_RAD = (0.70, 1.02)
"""Set points between which the loop comes to its clip: 0.85 to 1.3 of a usual arm's share."""
CLIP_RAD_S = 0.25
"""Speed there: slow, or the arm's momentum carries it into the band where friction holds it anywhere."""


def needs(spec: RigSpec) -> str:
    """What the rig has to have, or an empty text."""
    for name in spec.motors:
        load = spec.motor[name].load
        if load is None or load.mass_kg is None or load.length_m is None:
            return f"needs a known torque: motor.{name}.load with mass_kg and length_m"
    return ""


NEEDS = needs


def procedure(rig: Rig, motor: str) -> list[Observation]:
    """Sweep the field at two amplitudes, let it slip, sweep the loop and drive it into its clip; about 18 s.

    Raises MissingCapability where a limit does not allow the larger amplitude or the clip of the firmware's loop.
    """
    _within_limits(rig, motor)
    spec = rig.spec.motor[motor]
    pole_pairs, turn = rig.declared[motor].pole_pairs, rig.declared[motor].counts_per_turn
    sense = spec.direction or 1
    hang = spec.load.hang_reading_rad.value if spec.load is not None and spec.load.hang_reading_rad is not None else 0.0
    hang_count = round(hang / math.tau * turn)
    offset = spec.electrical_offset_rad.value if spec.electrical_offset_rad is not None else 0.0
    zero = sense * pole_pairs * hang + offset
    room = rig.thermometer.measure_temperature().value if rig.thermometer is not None else None
    taken: list[Observation] = []
    with Hold(rig, motor, sample_ms=round(ROW_S * 1e3)) as hold:

        def field(reach: float, amplitude: float, way: float, speed: float = SPEED_RAD_S) -> None:
            hold.field(zero + sense * pole_pairs * reach, amplitude, way / speed + EDGE_S, EDGE_S)

        def point(reach: float, way: float, speed: float = SPEED_RAD_S) -> None:
            hold.set_point(hang_count + round(reach / math.tau * turn), way / speed + EDGE_S, EDGE_S)

        hold.field(zero, 0.0, 0.02)
        idle = _supply(rig)
        low, high = AMPLITUDES
        for amplitude, ends in ((low, (0.0, -1.0, 1.0)), (high, (1.0, -1.0, 1.0))):
            rig.progress(f"held field, amplitude {amplitude:g}", 0.05 if amplitude == low else 0.2)
            hold.field(zero + sense * pole_pairs * ends[0] * REACH_RAD, amplitude, EDGE_S)
            hold.wait(0.1)
            # Only the larger amplitude warms the winding so much that its mean current is between two readings.
            before = _supply(rig) if amplitude == high else []
            hold.forget()
            for start, end in itertools.pairwise(ends):
                field(end * REACH_RAD, amplitude, abs(end - start) * REACH_RAD)
            taken.append(
                hold.take(
                    f"{motor}.stiffness.field_{round(100 * amplitude)}",
                    set_amplitude=amplitude,
                    zero_rad=zero,
                    idle=idle,
                    supply=[*before, *_supply(rig)],
                    room_c=room,
                    motor=motor,
                )
            )
        rig.progress("slip of a held field", 0.5)
        field(SLIP_REACH_RAD, high, SLIP_REACH_RAD - REACH_RAD, TRAVEL_RAD_S)
        # Quickly to where the slip is still far, then slowly.
        field(SLIP_REACH_RAD, 0.75 * high, 0.0)
        hold.forget()
        hold.field(zero + sense * pole_pairs * SLIP_REACH_RAD, 0.05, 2.4, EDGE_S, math.pi / pole_pairs)
        taken.append(hold.take(f"{motor}.stiffness.slip", slipped=hold.slipped, zero_rad=zero, idle=idle, room_c=room))
        hold.wait(0.4)  # at amplitude 0 the shorted winding brakes the arm's swinging
        hold.close_loop()
        rig.progress("the firmware's loop", 0.6)
        point(0.0, 0.0)
        hold.forget()
        for end, share in ((1.0, 1.0), (-1.0, 2.0), (0.0, 1.0)):
            point(end * LOOP_REACH_RAD, share * LOOP_REACH_RAD)
        taken.append(hold.take(f"{motor}.stiffness.loop", idle=idle, room_c=room, hang_count=hang_count))
        near, beyond = CLIP_RAD
        for word, end, way in (("up", 1.0, near), ("down", -1.0, near + beyond)):
            rig.progress("the loop's clip", 0.8)
            point(end * near, way, TRAVEL_RAD_S)
            hold.forget()
            point(end * beyond, beyond - near, CLIP_RAD_S)
            hold.wait(0.2)
            taken.append(hold.take(f"{motor}.stiffness.clip_{word}", idle=idle, room_c=room))
        point(0.0, beyond, TRAVEL_RAD_S)
        hold.off()
        hold.wait(0.2)
    return taken


def _within_limits(rig: Rig, motor: str) -> None:
    declared = rig.declared[motor]
    allowed = largest_amplitude(rig.spec, motor, declared.max_static_duty)
    require(allowed, max(AMPLITUDES), "a field that carries the arm")
    require(allowed, declared.amplitude_limit, "the clip of the firmware's loop")


def _supply(rig: Rig) -> list[list[float]]:
    """Supply voltage and current, read twice; empty without such an instrument."""
    supply = rig.supply
    if supply is None:
        return []
    return [[supply.measure_voltage().value, supply.measure_current().value] for _ in range(2)]


def analyse(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Measurement | Unmeasured]:
    """The eight quantities, from the observations alone; a part that was not run is left out."""
    by_name = {Name(observation.name).quantity: observation for observation in observations}
    readings = readings_of(spec, motor, by_name)
    sources = tuple(observation.name for observation in observations)
    found: dict[str, Measurement | Unmeasured] = {}

    def give(name: str, quantity: Quantity, note: str = "") -> None:
        full = f"{motor}.stiffness.{name}"
        found[name] = Measurement(name=full, quantity=quantity, observations=sources, note=note)

    held = open_loop(readings)
    give("open_loop", scaled(held.peak_torque, readings.pole_pairs, "N m/rad"), "slope at amplitude 0.6, at 20 degC")
    give("friction", held.friction)
    give("slip_torque", largest_slipping(readings, held), "largest torque at amplitude 0.6, at 20 degC")
    if held.torque_per_ampere is None:
        found["torque_per_ampere"] = _missing(motor, "torque_per_ampere", "an [instrument.*] of class supply")
    else:
        give("torque_per_ampere", held.torque_per_ampere)
    if readings.supply_voltage is None:
        found["supply_voltage"] = _missing(motor, "supply_voltage", "an [instrument.*] of class supply")
    else:
        give("supply_voltage", readings.supply_voltage)
    if "loop" in by_name:
        loop = closed_loop(readings, held)
        give("closed_loop", loop)
        ratio = propagate(
            lambda closed, opened: closed / opened,
            "1",
            closed=loop,
            opened=scaled(held.peak_torque, readings.pole_pairs, "N m/rad"),
        )
        give("ratio", ratio)
        give("clip_torque", largest_clipped(readings, held))
    return [found[name] for name in PLANNED if name in found]


def _missing(motor: str, name: str, what: str) -> Unmeasured:
    return Unmeasured(
        name=f"{motor}.stiffness.{name}",
        outcome=Outcome.NOT_RUN,
        reason=f"needs {what}: current and voltage of the motor",
    )


def curves(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[Curve]:
    """Torque against deflection, for the held field and for the loop."""
    by_name = {Name(observation.name).quantity: observation for observation in observations}
    readings: Readings = readings_of(spec, motor, by_name)
    held = open_loop(readings)
    made = [
        Curve(
            name=f"{motor}.stiffness.open_loop",
            title="Held field, amplitude 0.6: arm torque over deflection",
            x_label="deflection",
            x_unit="rad",
            y_label="torque",
            y_unit="N m",
            series=held.points,
        )
    ]
    if "loop" in by_name:
        made.append(
            Curve(
                name=f"{motor}.stiffness.closed_loop",
                title="Firmware's loop: arm torque over position error",
                x_label="set point less reading",
                x_unit="rad",
                y_label="torque",
                y_unit="N m",
                series=loop_points(readings, held),
            )
        )
    return made
