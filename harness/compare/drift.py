"""Drift of a quantity over its history, and where it changed.

An exponentially weighted moving average needs to know mean and scatter of a process at rest, and a handful of
records do not tell them: with limits for known parameters it would cry drift several times as often as stated. So
every value is first compared with all before it,

    t_i = (x_i - mean of x_1 .. x_(i-1)) / (s of them) * sqrt((i - 1) / i),   Student with i - 2 degrees of freedom,

and goes on as the normal number of the same probability. Those are independent and standard normal where nothing
drifts (D. M. Hawkins, The Statistician 36 (1987) 227; C. P. Quesenberry, J. Quality Technology 23 (1991) 213), so that
the average of them has the stated run length from the third value on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare.comparable import ComparableValue, comparable_values, refuse_mixed, turned_near
from harness.compare.ownership import exchanged
from harness.compare.reference import surroundings
from harness.compare.runlength import limit_for
from harness.record import Record

WEIGHT = 0.2
"""Of the newest value: a shift of one standard deviation in about ten runs (common practice, no source)."""
RUN_LENGTH = 500.0
"""Runs up to the first false alarm of all watched quantities together, on average. Arbitrary."""
MOST_SIGMA = 8.0
"""A normal number beyond it is taken as this: a float has no probability for it, and any limit is passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Average:
    """An average over the history. Lists have an entry a value; None for the two that it starts from."""

    scores: tuple[float | None, ...]
    """Each value against those before it, as a standard normal number."""
    averages: tuple[float | None, ...]
    limit: float
    """The average is outside beyond +- this."""
    length: float
    """Mean run length to a false alarm, in values."""
    out_at: int | None
    """Index of the first value at which it is outside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanStep:
    """A step in the mean: `at` is the index of the first value after it."""

    at: int
    shift: float
    u: float
    dof: int
    p: float
    """At most this probable where there is no step anywhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantitySeries:
    """One quantity over the records that have it."""

    name: str
    unit: str
    records: tuple[int, ...]
    """Indices of those records."""
    values: tuple[float, ...]
    """Referred to 20 degC and nominal supply."""
    average: Average
    change: MeanStep | None
    exchanged: tuple[str, ...] = ()
    """What was exchanged on the bench where it changed."""


def scores(values: Sequence[float]) -> list[float | None]:
    """Each value (n) against those before it, as a standard normal number; None where those say nothing of a scatter.

    >>> [None if score is None else round(score, 1) for score in scores([5.0, 5.1, 4.9, 5.0, 5.6])]
    [None, None, -1.0, 0.0, 2.7]
    """
    from scipy.special import ndtri, stdtr

    result: list[float | None] = []
    mean = squares = 0.0  # of the values before this one (B. P. Welford, Technometrics 4 (1962) 419)
    for place, value in enumerate(values):
        s = math.sqrt(squares / (place - 1)) if place >= 2 else 0.0
        # Values that are all alike: nothing to measure a distance by until one differs.
        if s <= 1e-12 * abs(mean):
            result.append(None)
        else:
            t = (value - mean) / s * math.sqrt(place / (place + 1.0))
            # From the lower tail on either side: 1 - p has no digits left for a large t.
            score = -float(ndtri(stdtr(place - 1.0, -abs(t))))
            result.append(math.copysign(min(score, MOST_SIGMA), t))
        apart = value - mean
        mean += apart / (place + 1)
        squares += apart * (value - mean)
    return result


def average(values: Sequence[float], *, length: float = RUN_LENGTH, weight: float = WEIGHT) -> Average:
    """The average of the scores of values (n), with limits at which it runs `length` values without a drift.

    `weight` is that of the newest score. Raises UsageError for a weight or a length that `run_length` and `limit_for`
    do not take.

    >>> level = [5.0, 5.1, 4.9] * 6
    >>> average(level).out_at, average([*level, 5.3, 5.3, 5.3]).out_at
    (None, 20)
    """
    limit = limit_for(length, weight)
    half = limit * math.sqrt(weight / (2.0 - weight))
    scored = scores(values)
    averages: list[float | None] = []
    level, out = 0.0, None
    for place, score in enumerate(scored):
        if score is None:
            averages.append(None)
            continue
        level += weight * (score - level)
        averages.append(level)
        if out is None and abs(level) > half:
            out = place
    return Average(
        scores=tuple(scored),
        averages=tuple(averages),
        limit=half,
        length=length,
        out_at=out,
    )


def change_point(values: Sequence[float], risk: float = 0.01) -> MeanStep | None:
    """Where the mean of the values (n) makes a step, if it makes one: the place with the largest likelihood ratio.

    For normal values of one unknown scatter that is the split with the largest two-sample t (D. M. Hawkins, J. Amer.
    Statist. Assoc. 72 (1977) 180). `risk`: that one is found where there is none, at most, as Bonferroni's sum over the
    places. None where there is none, or fewer than 5 values. Raises UsageError for a risk that is none.

    >>> found = change_point([5.0, 5.1, 4.9, 5.0, 5.6, 5.5, 5.7, 5.6])
    >>> found.at, round(found.shift, 2)
    (4, 0.6)
    """
    import numpy as np
    from scipy.special import stdtr

    if not 0.0 < risk < 1.0:
        raise UsageError(f"a risk lies between 0 and 1, found {risk}")
    count = len(values)
    if count < 5 or max(values) - min(values) <= 1e-12 * max(map(abs, values)):
        return None
    at = np.arange(1, count)
    moved = np.asarray(values, dtype=np.float64) - math.fsum(values) / count
    before, squares = np.cumsum(moved)[:-1], float(moved @ moved)
    rest = float(np.sum(moved)) - before
    shifts = rest / (count - at) - before / at
    # What scatters about both means is what scatters about one, less what the step explains.
    left = np.maximum(squares - before**2 / at - rest**2 / (count - at), 0.0)
    u = np.sqrt(left / (count - 2) * (1.0 / at + 1.0 / (count - at)))
    ratios = np.abs(shifts) / np.maximum(u, 1e-9 * np.abs(shifts) + math.ulp(0.0))
    best = int(np.argmax(ratios))
    p = min(1.0, 2.0 * float(stdtr(count - 2.0, -float(ratios[best]))) * (count - 1))
    if p > risk:
        return None
    return MeanStep(at=best + 1, shift=float(shifts[best]), u=float(u[best]), dof=count - 2, p=p)


def series_of(
    records: Sequence[Record], *, length: float = RUN_LENGTH, weight: float = WEIGHT, risk: float = 0.01
) -> list[QuantitySeries]:
    """Every measured quantity over records in the order in which they were made.

    `length` and `risk` are for all quantities together: each has its share. The order is that of the sequence, not
    of the records' clocks. A quantity with fewer than 3 values is left out. Raises UsageError for records that cannot
    stand together.
    """
    if not records:
        raise UsageError("a history needs records, found none")
    refuse_mixed(records)
    nominal_v = surroundings(records[0]).nominal_v
    runs = [comparable_values(record, nominal_v) for record in records]
    names = [
        name
        for name in dict.fromkeys(name for run in runs for name in run)
        if sum(isinstance(run.get(name), ComparableValue) for run in runs) >= 3
    ]
    return [_series(name, records, runs, length * len(names), weight, risk / len(names)) for name in names]


def _series(
    name: str,
    records: Sequence[Record],
    values_by_run: Sequence[dict[str, ComparableValue | str]],
    length: float,
    weight: float,
    risk: float,
) -> QuantitySeries:
    runs = [
        (place, run)
        for place, run_values in enumerate(values_by_run)
        if isinstance(run := run_values.get(name), ComparableValue)
    ]
    values = [turned_near(name, run, runs[0][1].value).value for _, run in runs]
    change = change_point(values, risk)
    swapped: list[str] = []
    if change is not None:
        swapped = exchanged(records[runs[change.at - 1][0]], records[runs[change.at][0]])
    return QuantitySeries(
        name=name,
        unit=runs[0][1].lasting.unit,
        records=tuple(place for place, _ in runs),
        values=tuple(values),
        average=average(values, length=length, weight=weight),
        change=change,
        exchanged=tuple(swapped),
    )


def steps(records: Sequence[Record]) -> list[tuple[QuantitySeries, str]]:
    """Quantities whose mean makes a step over these records in the order of their clocks, with where it does."""
    ordered = in_time(records)
    return [
        (series, visible(str(ordered[series.records[series.change.at]].folder)))
        for series in series_of(ordered)
        if series.change is not None
    ]


def in_time(records: Iterable[Record]) -> list[Record]:
    """Records in the order in which they were started."""
    return sorted(records, key=lambda record: record.started)
