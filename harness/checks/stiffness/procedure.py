"""Holding stiffness: a field held open loop, and the firmware's loop, under the known torque of a gravity arm."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from harness.acting.hold import Hold
from harness.checks.stiffness.stimulus import LOOP, LOOP_INSIDE, Stimulus
from harness.fits.shaft import shaft_rad
from harness.nouns.observation import Condition, Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig

SPEED_RAD_S = 1.0
"""Well above the speed at which cogging passes at the swinging frequency of the arm (0.4 rad/s at 120 periods a turn
and 50 rad/s), where it would shake the shaft; what the speed adds to friction, Kt^2/(1.5 R) times it, is corrected."""
EDGE_S = 0.3
"""Two swings of the arm on a held field: an edge that long hardly sets it swinging."""
ROW_S = 4e-3
"""Fast enough to see the swinging that is left, so that its inertia can be taken off."""
TRAVEL_RAD_S = 1.5
"""Speed of a way that is not measured."""
CLIP_RAD_S = 0.15
"""Speed there: slow, or the arm's momentum carries it into the band where friction holds it anywhere."""
INSIDE_CLIP = 0.75
"""Of the place where the clip leaves the arm, the farthest to which the loop's sweep goes (arbitrary: speed, friction
and inertia take up to a quarter of the loop's torque on the way)."""


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Sweep the field at two amplitudes, let it slip, sweep the loop and drive it into its clip; about 40 s."""
    declared = rig.declared[motor]
    pole_pairs, turn = declared.pole_pairs, declared.counts_per_turn
    mounting = rig.mounting(motor)
    sense, hang = mounting.direction, mounting.hang_rad
    hang_count = round(hang / math.tau * turn)
    zero = sense * pole_pairs * hang + mounting.offset_rad
    room = rig.thermometer.measure_temperature().value if rig.thermometer is not None else None
    observations: list[Observation] = []
    with Hold(rig, motor, sample_ms=round(ROW_S * 1e3)) as hold:

        def field(place: float, amplitude: float, way: float, speed: float = SPEED_RAD_S) -> None:
            hold.field(zero + sense * pole_pairs * place, amplitude, way / speed + EDGE_S, EDGE_S)

        hold.field(zero, 0.0, 0.02)
        idle = _supply(rig)
        conditions: dict[str, Condition] = {
            "idle": idle,
            "room_c": room,
            "hang_rad": hang,
            "sense": sense,
            "dead_time_s": declared.dead_time_s,
            "carrier_hz": declared.carrier_hz,
        }
        (_, low), (_, high) = stimulus.small, stimulus.large
        reach = stimulus.reach_rad
        for (name, amplitude), ends in ((stimulus.small, (0.0, -1.0, 1.0)), (stimulus.large, (1.0, -1.0, 1.0))):
            rig.progress("held field", 0.05 if amplitude == low else 0.2, count=f"amplitude {amplitude:g}")
            hold.field(zero + sense * pole_pairs * ends[0] * reach, amplitude, EDGE_S)
            hold.wait(0.1)
            # Only the larger amplitude warms the winding so much that its mean current is between two readings.
            before = _supply(rig) if amplitude == high else []
            hold.forget()
            for start, end in itertools.pairwise(ends):
                field(end * reach, amplitude, abs(end - start) * reach)
            observations.append(
                hold.take(
                    f"{motor}.stiffness.{name}",
                    set_amplitude=amplitude,
                    zero_rad=zero,
                    supply=[*before, *_supply(rig)],
                    motor=motor,
                    **conditions,
                )
            )
        rig.progress("slip of a held field", 0.5)
        field(stimulus.slip_reach_rad, high, stimulus.slip_reach_rad - reach, TRAVEL_RAD_S)
        # Quickly to where the slip is still far, then slowly.
        field(stimulus.slip_reach_rad, 0.75 * high, 0.0)
        hold.forget()
        hold.field(zero + sense * pole_pairs * stimulus.slip_reach_rad, 0.05, 2.4, EDGE_S, math.pi / pole_pairs)
        observations.append(hold.take(f"{motor}.stiffness.slip", slipped=hold.slipped, zero_rad=zero, **conditions))
        hold.wait(0.4)  # at amplitude 0 the shorted winding brakes the arm's swinging
        observations += _loop(hold, stimulus, hang_count, conditions)
        hold.off()
        hold.wait(0.2)
    return observations


def _loop(hold: Hold, stimulus: Stimulus, hang_count: int, conditions: Mapping[str, Condition]) -> list[Observation]:
    """Sweep the firmware's loop, drive it into its clip either way, and sweep it again where it went there already."""
    observations: list[Observation] = []

    def point(place: float, way: float, speed: float = SPEED_RAD_S) -> None:
        hold.set_point(hang_count + round(place / math.tau * hold.turn), way / speed + EDGE_S, EDGE_S)

    hold.close_loop()
    point(0.0, 0.0)
    hold.rig.progress("the firmware's loop", 0.6)

    def sweep(name: str, reach: float) -> None:
        hold.forget()
        for end, share in ((1.0, 1.0), (-1.0, 2.0), (0.0, 1.0)):
            point(end * reach, share * reach)
        observations.append(hold.take(f"{hold.motor}.stiffness.{name}", hang_count=hang_count, **conditions))

    sweep(LOOP, stimulus.loop_reach_rad)
    near, far = stimulus.clip_rad
    stands = []
    for word, way in (("up", 1.0), ("down", -1.0)):
        hold.rig.progress("the loop's clip", 0.7 if way > 0.0 else 0.8)
        point(way * near, near, TRAVEL_RAD_S)
        hold.wait(0.1)
        hold.forget()
        point(way * far, far - near, CLIP_RAD_S)
        hold.wait(0.2)
        clipped = hold.take(f"{hold.motor}.stiffness.clip_{word}", **conditions)
        observations.append(clipped)
        stands.append(abs(float(shaft_rad(clipped, hold.turn, hang_count)[-1])))
        point(0.0, far, TRAVEL_RAD_S)
    inside = INSIDE_CLIP * min(stands)
    if inside < stimulus.loop_reach_rad:
        hold.rig.progress("the firmware's loop inside its clip", 0.9)
        hold.wait(0.2)
        sweep(LOOP_INSIDE, inside)
    return observations


def _supply(rig: Rig) -> list[list[float]]:
    """Supply voltage and current, read twice; empty without such an instrument."""
    supply = rig.supply
    if supply is None:
        return []
    return [[supply.measure_voltage().value, supply.measure_current().value] for _ in range(2)]
