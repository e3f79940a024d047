"""Where lags behind a winding's own loss end at a constant current, and how they get there.

At constant current the loss grows with the resistance that it heats, so that times and rises are not those of the lags
alone: the resistance R = R0 + sum of gain x lag[R] has the poles of 1 = sum gain / (1 + s time). Of cooling that grows
with the rise the slowest lag has a part of its own, with the exponent `bend`: it cools as rise^(1 + bend).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.fits.lags import Lag
from harness.nouns.array import Array

ROUNDS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Resistance in ohm at a constant current from cold: start, final, slow and fast part of the change; times in s.

    The fast time is the mean of the quick ones by what they change; both are 0 where there is one lag.
    """

    start: float
    final: float
    slow_time: float
    fast_change: float
    fast_time: float

    @property
    def slow_change(self) -> float:
        """Part of the change with the slow time, ohm."""
        return self.final - self.start - self.fast_change

    def at(self, t_s: float) -> float:
        """Resistance at an instant, ohm."""
        fast = self.fast_change * math.exp(-t_s / self.fast_time) if self.fast_time else 0.0
        return self.final - self.slow_change * math.exp(-t_s / self.slow_time) - fast


def settled(
    level: float, terms: Sequence[Lag], bend: float = 0.0, at_rise: float = 1.0, quick: int | None = None
) -> Settled:
    """From the resistance at the room's temperature and its lags; slowest first, any that are slower still last.

    `at_rise`: the slowest lag's own part, ohm, at which its gain holds; `quick`: how many of the quickest are the fast
    part, all but the slowest by default. Raises MeasurementError where the loss outruns
    the cooling, so that nothing settles.

    >>> alone = settled(4.0, [Term(gain=0.2, time_s=400.0, start=0.0)])
    >>> round(alone.final, 6), round(alone.slow_time, 6)
    (5.0, 500.0)
    """
    gain = math.fsum(term.gain for term in terms)
    if not 0.0 < gain < 1.0 or level <= 0.0:
        raise MeasurementError(f"a winding that does not settle: its own loss feeds back {gain:.2f} of itself")
    times = np.array([term.time_s for term in terms])
    gains = np.array([term.gain for term in terms])
    poles = _poles(times, gains)
    if not np.all(poles < 0.0):
        raise MeasurementError("a winding that does not settle: its lags have no time constant at this current")
    changes = [-level / (pole * float(np.sum(gains * times / (1.0 + pole * times) ** 2))) for pole in poles.tolist()]
    fast = slice(times.size - (times.size - 1 if quick is None else quick), times.size)
    fast_change = float(np.sum(changes[fast]))
    return Settled(
        start=level,
        final=_final(level, gains[0], float(np.sum(gains[1:])), bend, at_rise),
        slow_time=float(-1.0 / poles[0]),
        fast_change=fast_change,
        fast_time=float(np.sum(changes[fast] / -poles[fast])) / fast_change if fast_change else 0.0,
    )


def _poles(times: Array, gains: Array) -> Array:
    """1/s, slowest first: roots of product of (1 + s time) - sum of gain x product of the others."""
    if times.size == 1:
        return np.asarray((gains - 1.0) / times, dtype=np.float64)
    if times.size == 2:
        square, rest = times[0] * times[1], 1.0 - gains[0] - gains[1]
        middle = times[0] + times[1] - gains[0] * times[1] - gains[1] * times[0]
        root = math.sqrt(max(middle**2 - 4.0 * square * rest, 0.0))
        return np.array([-2.0 * rest / (middle + root), -(middle + root) / (2.0 * square)])
    whole = np.poly(-1.0 / times) * np.prod(times)
    for place in range(times.size):
        others = np.delete(times, place)
        whole[1:] -= gains[place] * np.poly(-1.0 / others) * np.prod(others)
    return np.asarray(np.sort(np.real(np.roots(whole)))[::-1], dtype=np.float64)


def _final(level: float, gain: float, others: float, bend: float, at_rise: float) -> float:
    """Resistance R at which part (part / at_rise)^bend = gain x R, and R = level + part + others x R."""
    if bend == 0.0 or at_rise <= 0.0 or gain <= 0.0:
        return level / (1.0 - gain - others)
    final = level / (1.0 - gain - others)
    for _ in range(ROUNDS):
        if final <= 0.0:
            raise MeasurementError("a winding that does not settle: its loss outruns its cooling")
        part = at_rise * (gain * final / at_rise) ** (1.0 / (1.0 + bend))
        last, final = final, (level + part) / (1.0 - others)
        if abs(final / last - 1.0) < 1e-12:
            break
    return final
