"""Rows of a loop that was told to move, by a motion that a test states."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from harness.checks.conduct.movement import Movement, movement
from harness.nouns.observation import Column, Observation

MOVE = 40
TURN, FAR = 32768, 15720
LIMIT = 13107
SCALES = {"t": 1e-3, "late": 1e-6}
GOALS = (0, 0, MOVE, 0, -MOVE, 0)
ROWS = (20, 250, 250, 250, 250, 250)
COLUMNS = ("t", "leg", "target", "count", "traced", "late", "demand", "passes")


def observed(
    motion: Callable[[int, float], float],
    *,
    traced: Callable[[int, float, float], float] = lambda leg, part, count: count,
    demand: Callable[[float], float] = lambda error: error,
    late_us: int = 400,
    passes: Callable[[int, int], int] = lambda leg, running: running,
    ran: tuple[int, int] | None = None,
    ran_again: int | None = None,
    own_pace: int = 1,
    has_trace: int = 1,
    brake: Sequence[int] = (1, 0, 0, 0),
    name: str = "loop",
    move: int = MOVE,
    turn: int = TURN,
) -> Observation:
    """`motion` of leg and part of it (0 to 1) in moves; where it `ran`, rows end in that leg."""
    rows = []
    running = 0
    for leg, (moves, count) in enumerate(zip(GOALS, ROWS, strict=True)):
        goal = moves * move // MOVE
        for k in range(count):
            running += leg > 0
            at = motion(leg, k / count) * MOVE
            reading = traced(leg, k / count, at)
            rows.append(
                (
                    len(rows),
                    leg,
                    goal,
                    round(at),
                    round(reading),
                    late_us,
                    round(demand(goal - reading)),
                    passes(leg, running),
                )
            )
        if ran is not None and ran[0] == leg:
            break
    kinds = [(name, "<i4") for name in COLUMNS]
    return Observation(
        name=f"leaf.conduct.{name}",
        columns=tuple(
            Column(name=name, unit="s" if name in SCALES else "1", scale=SCALES.get(name, 1.0)) for name in COLUMNS
        ),
        data=np.array(rows, dtype=kinds),
        conditions={
            "turn": turn,
            "noise": 0.5,
            "move": move,
            "period_s": 1e-3,
            "own_pace": own_pace,
            "traced": has_trace,
            "ran": [] if ran is None else [list(ran)],
            "ran_again": [] if ran_again is None else [ran_again],
            "took_us": {"stop": [300.0], "off": [250.0]},
            "passes_after": {"stop": [0.0], "off": [0.0]},
            "brake": list(brake) if ran_again is None else [],
            "limit": LIMIT,
        },
    )


def far(
    demand: Callable[[float], float] = lambda error: math.copysign(LIMIT, error),
    motion: Callable[[int, float], float] = lambda leg, part: 0.0,
    ran: tuple[int, int] | None = None,
) -> Observation:
    """A set point that goes nearly half a turn away either way, for a moment in which the shaft gets nowhere."""
    return observed(motion, demand=demand, name="far", move=FAR, ran=ran)


def moved(motion: Callable[[int, float], float], **changes) -> Movement:
    return movement(observed(motion, **changes))


def follows(leg: int, part: float) -> float:
    """As a sound loop does: nine tenths of the way, in a tenth of the time."""
    goals = [goal / MOVE for goal in GOALS]
    before = goals[leg - 1] if leg else 0.0
    return 0.9 * (before + (goals[leg] - before) * min(1.0, part * 10.0))
