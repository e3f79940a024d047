"""How little is done to a motor to see whether the drive does as it is told."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.checks.strength import largest_amplitude, require
from harness.nouns import gravity
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN, Declared
from harness.rigfile import RigSpec

AMPLITUDE = 0.2
"""Of the fields whose duties are read from the pins: the least that can be told from the reading's own scatter."""
EITHER_WAY = 0.1
"""Of it, by which the fields differ: at one amplitude all peaks would fall at one place between two ticks of the clock
by which a carrier of 20 kHz is read, and their errors would be one and the same."""
DEMAND = 0.15
"""Of the loop, for the move of its set point: breaks friction loose and lifts an arm by no more than a few degrees."""
MOVE_RAD = 0.04
"""The same as an angle, where the rig file does not state the loop's gain (arbitrary: two degrees)."""
FAR = 3.0
"""Moves from where it stood at which a shaft is let go: a loop of the wrong sense is there within 0.1 s."""
HOLD_S = 0.25
HELD_PERIODS = 50.0
"""How long a set point is held, and for how many loop periods at least (arbitrary: a loop's swings are some dozens of
passes)."""
ASIDE = 2.0
"""Moves that a field draws a shaft aside unread: friction and an arm leave more than half of it (arbitrary)."""
FALL_RAD = 0.45
"""From hanging, of the field that lets an arm go: well beyond where friction and cogging may keep it (arbitrary)."""
MAY = 0.7
"""Of the rig's limits of travel and speed, what these may come to (arbitrary)."""
FAR_TURN = 0.48
"""Of a turn: as near to half of it as a shaft that was pushed for FAR_S leaves it (arbitrary)."""
FAR_S = 8e-3
FAR_PERIODS = 4.0
"""How long a loop is told to go so far, and for how many of its periods at least: enough for a few passes, too short to
get anywhere (arbitrary: an acceleration of 300 rad/s^2 makes 10 mrad)."""
STOPS = 18
"""Of a field that turns by two thirds of an electrical turn, to be read: no two have the same duties (arbitrary)."""
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
"""Of a turn, from one to the next: by the golden section no two come together, however many there are."""
BLOCKS = 6
"""Readings of one set of duties come in so many groups, whose scatter says how well each share is known."""
READS = 200
"""Of each pin for one share of time (arbitrary: their number is a third of what a clock of microseconds leaves)."""
DUTIES = (0.42, 0.58, 0.5)
"""Of A, B and C: no two alike, about half so that little current flows."""
NO_SUPPLY = "needs a supply: add an [instrument.NAME] of class supply"
"""Why the current that off leaves is not measured without one."""
SLOW_S = 0.1
"""An off that takes longer is not relied on: no loop is closed after it. The contract's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor."""

    first: int
    """Electrical angle, 1/65536 turn, of the field that holds the shaft where it hangs, if that is known."""
    fields: tuple[tuple[int, int], ...]
    """Angles, counted through, as far below as above the first, and amplitudes, 1/32768, of those that are read."""
    move: int
    """Of the set point, counts."""
    hold_s: float
    """How long it stays."""
    fall: int | None
    """Angle of the field that lets the arm go, as those of `fields`; None where nobody knows that it may fall."""
    aside: int
    """Counts that a field draws the shaft aside before the loop is started again; 0 where the travel forbids it."""
    amplitude: int
    """Of that field, 1/32768."""
    far: int
    """The same to nearly half a turn, across count 0 on one side; 0 where the rig's limits forbid the loop's clip."""
    far_s: float
    """How long the loop is told so."""


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """From the rig file and the firmware's own limits. Raises MissingCapability where they allow too little."""
    largest = AMPLITUDE * (1.0 + EITHER_WAY)
    require(largest_amplitude(spec, motor, declared.max_static_duty), largest, "a field read from the pins")
    entry, gain = spec.motor[motor], spec.firmware.gain_per_rad
    turn = declared.counts_per_turn
    clip_allowed = largest_amplitude(spec, motor, declared.max_static_duty).value >= declared.amplitude_limit
    move_rad = MOVE_RAD if gain is None else DEMAND / gain.value
    offset, hang = entry.electrical_offset_rad, entry.stated_hang_rad
    at = 0.0
    if offset is not None and hang is not None:
        at = (entry.direction or declared.direction) * entry.pole_pairs * hang.value + offset.value
    first = round(math.remainder(at, math.tau) / math.tau * FULL_TURN)
    return Stimulus(
        first=first,
        fields=tuple(_field(first, stop) for stop in range(STOPS)),
        move=max(4, round(move_rad / math.tau * turn)),
        hold_s=max(HOLD_S, HELD_PERIODS * declared.loop_period_s),
        fall=_fall(spec, motor, first),
        aside=-round(ASIDE * move_rad / math.tau * turn) if ASIDE * move_rad < MAY * spec.limits.travel_rad else 0,
        amplitude=round(AMPLITUDE * FULL_AMPLITUDE),
        far=round(FAR_TURN * turn) if clip_allowed else 0,
        far_s=max(FAR_S, FAR_PERIODS * declared.loop_period_s),
    )


def _fall(spec: RigSpec, motor: str, first: int) -> int | None:
    entry = spec.motor[motor]
    load = entry.load
    if load is None or load.length_m is None or load.hang_reading_rad is None or entry.electrical_offset_rad is None:
        return None
    if load.length_m.low <= 0.0:
        return None  # an arm may have no length at all: nobody knows how fast it falls
    fastest_rad_s = FALL_RAD * math.sqrt(gravity.local().value / load.length_m.low)  # of a swing about hanging
    if fastest_rad_s > MAY * spec.limits.speed_rad_s or MAY * spec.limits.travel_rad < FALL_RAD:
        return None
    return first + round(FALL_RAD * entry.pole_pairs / math.tau * FULL_TURN)


def _field(first: int, stop: int) -> tuple[int, int]:
    angle = first + (2 * stop - STOPS + 1) * FULL_TURN // (3 * (STOPS - 1))
    spread = math.modf(stop * GOLDEN)[0] - 0.5
    return angle, round(AMPLITUDE * (1.0 + 2.0 * EITHER_WAY * spread) * FULL_AMPLITUDE)
