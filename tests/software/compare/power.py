"""What a comparison is to see by theory: the chance that a shift of some size is called different, and the reverse."""

from __future__ import annotations

from dataclasses import replace

from harness.compare.baseline import SCATTER
from harness.compare.difference import Terms
from harness.nouns.coverage import safe_factor
from harness.nouns.quantity import Quantity, evaluation

NODES = 400
"""Places of the scatter's distribution that are averaged over; arbitrary, error of a chance below 0.001."""


def power(gap: Quantity, shift: float, terms: Terms, margin: float | None = None) -> float:
    """Chance that a difference with the budget of `gap` is called different, were it truly `shift`.

    That takes |d| > K u, and with a margin M also that |d| + T u is not inside it. Both limits move with the scatter
    that a baseline happens to show: averaged over the chi-square distribution of its square; the true scatter is taken
    to be the one that was found. All errors count as normal.
    """
    import numpy as np
    from scipy.special import chdtri, ndtr

    if not gap.u:
        return float(shift != 0.0 and (margin is None or abs(shift) >= margin))
    random = {source: part for source, part in gap.budget.items() if evaluation(source) == SCATTER}
    fixed = replace(gap, budget={source: part for source, part in gap.budget.items() if source not in random})
    scatter = replace(gap, budget=random)
    places = (np.arange(NODES) + 0.5) / NODES
    squares = chdtri(scatter.dof, places) / scatter.dof if random else np.ones(1)

    def moving(tail: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        still, moves = ((safe_factor(part, tail) * part.u) ** 2 for part in (fixed, scatter))
        return np.asarray(np.sqrt(still + squares * moves), dtype=np.float64)

    limit = moving(terms.risk_each / 2.0)
    if margin is not None:
        limit = np.maximum(limit, margin - moving(terms.equivalence_risk))
    return float(np.mean(ndtr((shift - limit) / gap.u) + ndtr((-shift - limit) / gap.u)))


def smallest_seen(gap: Quantity, terms: Terms, chance: float = 0.95) -> float:
    """The shift that is seen with a stated chance, in the unit of the gap; 0 where nothing is uncertain."""
    from scipy.optimize import brentq

    if not gap.u:
        return 0.0
    high = gap.u
    while power(gap, high, terms) < chance:
        high *= 2.0
    return float(brentq(lambda shift: power(gap, shift, terms) - chance, 0.0, high, rtol=1e-6))
