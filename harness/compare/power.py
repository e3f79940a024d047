"""What a comparison would have seen: chance that a shift of a given size is called different, and the reverse."""

from __future__ import annotations

import math

from harness.compare.difference import SCATTER, Difference, Finding, Terms
from harness.coverage import safe_factor
from harness.errors import MeasurementError
from harness.quantity import Quantity, evaluation

NODES = 400
"""Places of the scatter's distribution that are averaged over; arbitrary, error of a chance below 0.001."""


def power(gap: Quantity, shift: float, tail: float) -> float:
    """Chance that a difference with the budget of `gap` is beyond K u, were it truly `shift`.

    K u moves with the scatter that a baseline happens to show: averaged over the chi-square distribution of its
    square; the true scatter is taken to be the one that was found. All errors count as normal.
    """
    import numpy as np
    from scipy.special import chdtri, ndtr

    random = [part for source, part in gap.budget.items() if evaluation(source) == SCATTER]
    variance = math.fsum(part.u**2 for part in random)
    if not random or not variance:
        allowed = safe_factor(gap, tail) * gap.u
        return float(ndtr((shift - allowed) / gap.u) + ndtr((-shift - allowed) / gap.u)) if gap.u else float(shift != 0)
    dof = random[0].dof
    fixed = Quantity(
        value=0.0,
        unit=gap.unit,
        budget={source: part for source, part in gap.budget.items() if evaluation(source) != SCATTER},
    )
    alone = Quantity(value=0.0, unit=gap.unit, budget={SCATTER: random[0]})
    places = (np.arange(NODES) + 0.5) / NODES
    squares = chdtri(dof, places) / dof
    allowed = np.sqrt((safe_factor(fixed, tail) * fixed.u) ** 2 + squares * variance * safe_factor(alone, tail) ** 2)
    return float(np.mean(ndtr((shift - allowed) / gap.u) + ndtr((-shift - allowed) / gap.u)))


def power_at_margin(found: Difference, terms: Terms) -> float:
    """Chance that a board off by one margin would have been called different. Raises MeasurementError without one."""
    if found.gap is None or found.margin is None:
        raise MeasurementError(f"{found.name}: no margin, or {Finding.UNDECIDED.value}: nothing to state a power for")
    return power(found.gap, found.margin, terms.risk_each / 2.0)


def smallest_seen(gap: Quantity, tail: float, chance: float = 0.95) -> float:
    """The shift that is called different with a stated chance, in the unit of the gap; 0 for what is counted."""
    from scipy.optimize import brentq

    if not gap.u:
        return 0.0
    high = gap.u
    while power(gap, high, tail) < chance:
        high *= 2.0
    return float(brentq(lambda shift: power(gap, shift, tail) - chance, 0.0, high, rtol=1e-6))
