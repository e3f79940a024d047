"""Commutation step order: what the shaft does when the field is turned step by step, and the sensor at rest.

A field at each of the vectors 60 electrical degrees apart, with the supply's current where it can be read; the
field turned slowly on and back at two amplitudes; after each the arm let go, once from either side, and readings
with the phases off.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from harness.acting.hold import Hold
from harness.checks.commutation import standstill
from harness.checks.commutation.stimulus import EDGE, READINGS, VECTOR_RAD, Stimulus, vectors_between
from harness.fits.shaft import shaft_rad
from harness.nouns.observation import Observation

if TYPE_CHECKING:
    from harness.bench.rig import Rig
    from harness.rigfile import RigSpec

SPARE = 0.4
"""Of a step, gone further at either end: after a turn the shaft has to break loose first (arbitrary)."""
STEP_S = 0.07
"""Time for 60 electrical degrees in a sweep: about 1.4 rad/s of the shaft (arbitrary)."""
ROW_S = 4e-3
SWING_S = 0.9
"""For an arm let go a vector from hanging to come to rest (arbitrary: friction takes its swing in a few passes)."""
GLANCE_S = 0.03
"""Some readings before anything is driven (arbitrary)."""
RESTS = 4
"""Times that it is given as long again while it still swings: with crossed phases it is let go from far higher."""


def procedure(rig: Rig, motor: str, stimulus: Stimulus) -> list[Observation]:
    """Drive one motor through the check, about 9 s. Raises what board, link and instruments raise."""
    amplitude, steps = stimulus.amplitude, stimulus.steps
    name = f"{motor}.commutation"
    observations: list[Observation] = []
    supply = rig.supply

    def current_a() -> float | None:
        return None if supply is None else supply.measure_current().value

    with Hold(rig, motor, sample_ms=2) as hold:

        def to(vector: float, level: float, seconds: float, edge_s: float = 0.06) -> None:
            hold.field(vector * VECTOR_RAD, level, seconds, edge_s)

        rig.progress("vectors in order", 0.0)
        hold.sample(0.0)
        hold.wait(0.02)
        idle = current_a()
        start = stimulus.start
        if start is not None and not _room(rig.spec, motor, steps, _glance(hold, f"{name}.glance")):
            # Nothing is turned about a place where the shaft is not: it is only looked at.
            return [_rested(hold, f"{name}.rest_from_below", rig.declared[motor].counts_per_turn)]
        if start is None:
            observations.append(_looked(hold, f"{name}.hanging", "off"))
            to(0, amplitude, 0.2)
            observations.append(_looked(hold, f"{name}.drawn", "vector 0"))
            hanging, drawn = (float(np.mean(shaft_rad(observation, hold.turn, 0.0))) for observation in observations)
            start = vectors_between(rig.spec, rig.declared[motor], motor, drawn, hanging)
        to(start, amplitude, 0.2)
        to(start - 3, amplitude, 0.3, 0.12)
        hold.wait(0.1)
        vectors, currents = [], []
        hold.sample(ROW_S)
        for step in range(-3, 3):
            if step > -3:
                to(start + step, amplitude, 0.1, 0.05)
            hold.wait(0.06)
            vectors.append(start + step)
            currents.append(current_a())
        observations.append(
            hold.take(
                f"{name}.vectors",
                amplitude=amplitude,
                vectors=vectors,
                idle_a=idle,
                current_a=currents,
                dead_time_s=rig.declared[motor].dead_time_s,
                carrier_hz=rig.declared[motor].carrier_hz,
            )
        )
        rig.progress("the field turned on and back", 0.2)
        hold.sample(0.0)
        for level, reach, label in ((amplitude, steps + SPARE, "large"), (amplitude / 2, steps / 2 + SPARE, "small")):
            to(start - reach, level, 0.45, 0.15)
            hold.wait(0.1)
            hold.forget()
            hold.sample(ROW_S)
            for way in (1, -1):
                to(start + way * reach, level, 2 * reach * STEP_S, EDGE * 2 * reach * STEP_S)
                ending = "up" if way > 0 else "down"
                observations.append(hold.take(f"{name}.{label}_{ending}", amplitude=level, centre=start))
            hold.sample(0.0)
        for which, side, done in (("from_below", -1, 0.6), ("from_above", 1, 0.8)):
            rig.progress(f"the arm let go {which.replace('_', ' ')}", done)
            if which == "from_above":
                to(start, amplitude, 0.2)
            to(start + side, amplitude, 0.15)
            observations.append(_rested(hold, f"{name}.rest_{which}", rig.declared[motor].counts_per_turn))
    return observations


def _glance(hold: Hold, name: str) -> float:
    """The reading where the shaft stands, rad."""
    hold.sample(ROW_S)
    hold.wait(GLANCE_S)
    hold.sample(0.0)
    return float(np.mean(shaft_rad(hold.look(name), hold.turn, 0.0)))


def _room(spec: RigSpec, motor: str, steps: int, reading_rad: float) -> bool:
    """Whether the sweeps, about the place where the shaft stands, keep within the travel about the stated one."""
    entry = spec.motor[motor]
    hang = entry.stated_hang_rad
    if hang is None:
        return True
    reach_rad = (steps + SPARE) * VECTOR_RAD / entry.pole_pairs
    away_rad = abs(math.remainder(reading_rad - hang.value, math.tau))
    return reach_rad >= spec.limits.travel_rad or away_rad + reach_rad < spec.limits.travel_rad


def _looked(hold: Hold, name: str, phases: str) -> Observation:
    """Readings of the shaft where it stands."""
    hold.wait(0.2)
    hold.forget()
    hold.sample(ROW_S)
    hold.wait(0.1)
    seen = hold.take(name, phases=phases)
    hold.sample(0.0)
    return seen


def _rested(hold: Hold, name: str, turn: int) -> Observation:
    """Phases off, and readings of the arm once it hangs still."""
    hold.sample(0.0)
    hold.off()
    for _ in range(RESTS):
        hold.wait(SWING_S)
        hold.forget()
        hold.sample(ROW_S)
        hold.wait(ROW_S * (READINGS + 8))
        seen = hold.look(name, phases="off")
        hold.sample(0.0)
        if not standstill.moves(shaft_rad(seen, turn, 0.0)):
            break
    return hold.keep(seen)
