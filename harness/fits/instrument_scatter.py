"""What readings of one instrument, taken one right after the other, say of its own scatter and of its last digit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import Decimal

from harness.base.errors import MeasurementError

READINGS = 2
"""Readings of one group, taken one right after the other, so that they differ by its scatter alone."""


def scatter(series: Iterable[Sequence[float]]) -> tuple[float, int]:
    """Standard deviation of one reading from what the readings of each group differ by, and its degrees of freedom.

    `series`: groups (n) of readings, READINGS or a multiple of them each, in one unit, which is the deviation's too.
    Two readings of one group differ by sqrt(2) deviations; a drift from group to group is left out. Raises
    MeasurementError where there is no whole group.

    >>> deviation, dof = scatter([[0.071, 0.072], [0.245, 0.246]])
    >>> round(deviation, 6), dof
    (0.000707, 2)
    """
    pairs = [values[i : i + READINGS] for values in series for i in range(0, len(values) - READINGS + 1, READINGS)]
    if not pairs:
        raise MeasurementError(f"the scatter of an instrument needs groups of {READINGS} readings, found none")
    return math.sqrt(math.fsum((b - a) ** 2 for a, b in pairs) / 2.0 / len(pairs)), len(pairs)


def last_digit(values: Iterable[float]) -> float:
    """The step that the last decimal place of readings `values` (n) stands for, in their unit; 0 for no reading.

    >>> last_digit([0.071, 0.07])
    0.001
    """
    places = [Decimal(repr(value)).normalize().as_tuple().exponent for value in values if value]
    return 10.0 ** min((int(place) for place in places), default=-math.inf)
