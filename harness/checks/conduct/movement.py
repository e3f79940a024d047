"""What the rows of a loop that was told to move say: does it start where it stands, follow, and tell what it does?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.checks.conduct.quantities import Following, Trace
from harness.nouns.loop_span import LoopSpan, span_of
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec

UNASKED, STARTED = 0, 1
UP, BACK, DOWN, LAST = 2, 3, 4, 5
"""Legs: before the loop is closed, from its start, and the moves of its set point."""
LEAST, MOST, NONE = 0.4, 1.6, 0.2
"""Shares of a move between which the shaft follows, and below which it does not go at all: friction and an arm keep a
sound loop from some tenths of so small a move (arbitrary)."""
JUMPED = 0.35
"""Share of the move that a start may go on its own: noise and an arm at rest do not (arbitrary)."""
LATE_PERIODS = 4.0
"""Loop periods from which the last pass that was told is old: one runs on, one may be under way (arbitrary)."""
CALLED_PERIODS = 1.6
"""The same of passes that are called, a row after each (arbitrary: one before the last is two periods old)."""
OTHER = 0.25
"""Share of the move by which readings of the trace may differ from those beside it, while the shaft rests."""
OTHER_NOISE = 4.0
"""Standard deviations of a reading by which they may, where that is more (arbitrary: hardly ever by chance)."""
FRESH = slice(1, 8)
"""Rows after a start that say where the shaft stood: the first may still be of before, as what it was started from, and
a few milliseconds take it nowhere (arbitrary)."""
AMBIGUOUS = 0.99
"""Of half a turn: from there on noise decides which way is the shorter one (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """The rows of one loop, by leg; angles in moves of the set point."""

    leg: NDArray[np.float64]
    count: NDArray[np.float64]
    traced: NDArray[np.float64]
    target: NDArray[np.float64]
    late_s: NDArray[np.float64]
    demand: NDArray[np.float64]
    passes: NDArray[np.float64]
    own_pace: bool
    half_turn: float
    noise: float
    """Of a reading, one standard deviation; as stated, or half a count."""
    ran: tuple[int, float] | None
    """Leg in which the shaft was let go, and how far it had gone."""

    def ending(self, leg: int, values: NDArray[np.float64]) -> float:
        """Mean over the last third of a leg: the shaft has come to rest."""
        chosen = values[self.leg == leg]
        return float(np.mean(chosen[-max(1, chosen.size // 3) :])) if chosen.size else 0.0

    @property
    def start(self) -> int:
        """0 where start takes the present reading, 1 where it goes to the set point that was left before."""
        if self.ran is not None and self.ran[0] == STARTED:
            return 1
        return int(abs(self.ending(STARTED, self.count)) > JUMPED)

    def goes_back(self, again: NDArray[np.float64]) -> bool | None:
        """Whether a loop that was started again goes from where the shaft stood to where it had been read, in moves.

        A sound one holds its share of the way there against the arm, as it did at the last move down; one that goes
        back ends where the loop's last leg did. None where the two are not told apart: the shaft hardly stood aside.
        """
        stood = float(np.median(again[FRESH])) if again.size > FRESH.stop else 0.0
        kept = stood * min(1.0, self.down)
        back = self.ending(LAST, self.count)
        if back - kept < max(OTHER, OTHER_NOISE * self.noise):
            return None
        return float(np.mean(again[-max(1, again.size // 3) :])) > (kept + back) / 2.0

    @property
    def up(self) -> float:
        """Share of the move above the start that the shaft went: back from it, whatever start did before."""
        return self.ending(UP, self.count) - self.ending(BACK, self.count)

    @property
    def down(self) -> float:
        """Share of the move below the start."""
        return self.ending(BACK, self.count) - self.ending(DOWN, self.count)

    @property
    def following(self) -> Following:
        """The kind of it."""
        if self.ran is not None:
            leg, far = self.ran
            against = (leg in (UP,) and far < 0.0) or (leg in (BACK, DOWN) and far > 0.0)
            if leg in (BACK, DOWN) and self.ending(UP, self.count) > LEAST:
                return Following.ONE_WAY
            if leg == STARTED:
                return Following.RUNS_OFF
            return Following.OTHER_WAY if against else Following.TOO_FAR
        good = [LEAST <= share <= MOST for share in (self.up, self.down)]
        if all(good):
            return Following.AS_TOLD
        # A loop that pushes up alone is left where it went: friction keeps it, or its arm takes it back a part.
        rose = self.ending(UP, self.count) - self.ending(STARTED, self.count) >= LEAST
        if (any(good) and not NONE <= min(self.up, self.down) < LEAST) or (
            rose and self.up < LEAST and abs(self.down) < NONE
        ):
            return Following.ONE_WAY
        if all(abs(share) < NONE for share in (self.up, self.down)):
            return Following.NOT
        if self.up < 0.0 and self.down < 0.0:
            return Following.OTHER_WAY
        return Following.TOO_FAR if max(self.up, self.down) > MOST else Following.TOO_LITTLE

    @property
    def follows(self) -> bool:
        """Whether it starts where it stands, and follows."""
        return self.start == 0 and self.following is Following.AS_TOLD

    @property
    def the_long_way(self) -> bool:
        """Whether a demand goes against an error of nearly half a turn: such a loop goes the longer way round.

        By the error of the pass itself, the shaft may have passed the middle meanwhile. Raises MeasurementError where
        it was let go before it was told both ways.
        """
        error = (self.target - self.traced + self.half_turn) % (2.0 * self.half_turn) - self.half_turn
        toward = np.sign(error) * np.sign(self.demand) * (np.abs(error) < AMBIGUOUS * self.half_turn)
        if any(self.ending(leg, toward) < 0.0 for leg in (UP, DOWN)):
            return True
        if not np.any(self.leg == DOWN):
            raise MeasurementError("the shaft was let go before its loop was told to go far both ways")
        return False

    def exceeds(self, limit: float) -> bool:
        """Whether demands are told beyond a limit of the loop, 1/32768; one too large for its column comes as any."""
        return bool(np.any(np.abs(self.demand) > limit + 1.0))

    @property
    def _apart(self) -> float:
        """What two readings of one place may differ by, in moves."""
        return max(OTHER, OTHER_NOISE * self.noise)

    def _never_read(self, running: NDArray[np.bool_], rows: int) -> bool:
        """Whether the trace tells now and then of a place where the shaft was not within so many rows before."""
        count, traced = self.count[running], self.traced[running]
        lately = [count[max(0, k - rows) : k + 1] for k in range(count.size)]
        off = [max(float(now.min()) - at, at - float(now.max())) for now, at in zip(lately, traced, strict=True)]
        return bool(sum(each > self._apart for each in off) > rows)

    def trace(self, period_s: float, age_s: float = 0.0) -> Trace:
        """The kind of it; `period_s` of the loop, `age_s` of a reading when it is handed over, at most."""
        before, running = self.leg == UNASKED, self.leg >= STARTED
        if not np.any(running) or self.passes[running][-1] == (self.passes[before][-1] if np.any(before) else 0.0):
            return Trace.NO_LOOP if np.any(self.passes[before] > 0.0) else Trace.NOTHING
        if np.any(self.passes[before] > 0.0):
            return Trace.NO_LOOP
        # A pass that was called from here is told at once; one of the firmware's own may be under way, or waited for.
        latest_s = LATE_PERIODS * period_s + 1e-3 if self.own_pace else CALLED_PERIODS * max(period_s, 1e-3)
        if float(np.median(self.late_s[running])) > latest_s + age_s:
            return Trace.OLD
        legs = [leg for leg in (STARTED, UP, BACK, DOWN) if np.any(self.leg == leg)]
        if any(abs(self.ending(leg, self.traced) - self.ending(leg, self.count)) > self._apart for leg in legs):
            return Trace.OTHER_READINGS
        if self._never_read(running, 2 + round(LATE_PERIODS * period_s / 1e-3)):
            return Trace.OTHER_READINGS
        error = self.target - self.traced
        moved = (self.leg >= UP) & (np.abs(error) > 0.5)
        if np.any(moved) and float(np.mean(np.sign(self.demand[moved]) * np.sign(error[moved]))) < 0.0:
            return Trace.AGAINST
        return Trace.SOUND


def movement(observation: Observation) -> Movement:
    """From the rows of a loop. Raises MeasurementError where a condition is missing."""
    move = float(observation.whole("move"))
    ran = observation.rows("ran")
    return Movement(
        leg=observation.si("leg"),
        count=observation.si("count") / move,
        traced=observation.si("traced") / move,
        target=observation.si("target") / move,
        late_s=observation.si("late"),
        demand=observation.si("demand"),
        passes=observation.si("passes"),
        own_pace=bool(observation.whole("own_pace")),
        half_turn=observation.number("turn") / 2.0 / move,
        noise=observation.number("noise") / move,
        ran=(int(ran[0][0]), ran[0][1] / move) if ran else None,
    )


def loop_spans(observations: Sequence[Observation], spec: RigSpec, motor: str) -> list[LoopSpan]:
    """Where the loop was exercised: about where the arm hangs, or whatever reading the shaft rests at."""
    entry = spec.motor[motor]
    per_count = math.tau / entry.sensor.counts
    hang = entry.stated_hang_rad
    first_rad = hang.value if hang is not None else 0.0
    spans = []
    for rows in (o for o in observations if o.name in (f"{motor}.conduct.loop", f"{motor}.conduct.far")):
        closed = rows.si("leg") >= STARTED
        if np.any(closed):
            reading_rad, target_rad = (first_rad + rows.si(name)[closed] * per_count for name in ("count", "target"))
            span = span_of(rows.si("t")[closed], reading_rad, target_rad, first_rad)
            spans.append(span if hang is not None else replace(span, across_zero=False))  # nobody knows where it is
    return spans
