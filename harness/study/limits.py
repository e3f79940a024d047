"""Confidence limits of a linear combination of mean squares, as components of variance are.

Modified large sample: exact for one mean square and where one dominates, near the stated probability between them.
All factors above 0: F. A. Graybill and C.-M. Wang, J. Amer. Statist. Assoc. 75 (1980) 869. Factors of both signs: N.
Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, J. Statist. Comput. Simul. 35 (1990) 135, here without
the terms between two mean squares of one sign. Recommended for gauge studies by R. K. Burdick, C. M. Borror,
D. C. Montgomery, J. Quality Technology 35 (2003) 342. All from memory; the coverage is simulated in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquare:
    """A mean square with its degrees of freedom."""

    ms: float
    dof: int


Parts = Sequence[tuple[float, MeanSquare]]


def effective_dof(parts: Parts) -> float:
    """Degrees of freedom of a sum of factors times mean squares (Satterthwaite); 0 where it is not above 0.

    >>> round(effective_dof([(0.5, MeanSquare(ms=4.0, dof=3)), (0.5, MeanSquare(ms=1.0, dof=20))]), 1)
    4.6
    """
    total = math.fsum(factor * square.ms for factor, square in parts)
    if total <= 0.0:
        return 0.0
    return 1.0 / math.fsum((factor * square.ms / total) ** 2 / square.dof for factor, square in parts)


def limits(parts: Parts, probability: float = 0.95) -> tuple[float, float]:
    """Lower and upper limit of a sum of factors times mean squares, at least 0.

    Each is passed by the true value with half of what `probability` leaves.

    >>> [round(limit, 2) for limit in limits([(1.0, MeanSquare(ms=1.0, dof=10))])]
    [0.49, 3.08]
    """
    tail = (1.0 - probability) / 2.0
    total = math.fsum(factor * square.ms for factor, square in parts)
    added = [(factor * square.ms, square.dof) for factor, square in parts if factor > 0.0]
    subtracted = [(-factor * square.ms, square.dof) for factor, square in parts if factor < 0.0]
    below = _squares(added, subtracted, tail, 1.0 - tail)
    above = _squares(added, subtracted, 1.0 - tail, tail)
    return max(total - math.sqrt(below), 0.0), max(total + math.sqrt(above), 0.0)


def _squares(
    added: Sequence[tuple[float, int]], subtracted: Sequence[tuple[float, int]], tail: float, other: float
) -> float:
    """Square of the distance to a limit: the lower for a small `tail`, the upper for a large one."""
    squares = [(_reach(dof, tail) * size) ** 2 for size, dof in added]
    squares += [(_reach(dof, other) * size) ** 2 for size, dof in subtracted]
    for size, dof in added:
        for less, less_dof in subtracted:
            ratio = _f_upper(tail, dof, less_dof)
            joint = (ratio - 1.0) ** 2 - (_reach(dof, tail) * ratio) ** 2 - _reach(less_dof, other) ** 2
            squares.append(joint / ratio * size * less)
    return max(math.fsum(squares), 0.0)


def _reach(dof: int, tail: float) -> float:
    """1 - dof / (chi squared that is passed with `tail`): how far, relative to it, a mean square may be off."""
    from scipy.special import chdtri

    return 1.0 - dof / float(chdtri(dof, tail))


def _f_upper(tail: float, dof_above: float, dof_below: float) -> float:
    """The ratio of two mean squares that is passed with `tail`."""
    from scipy.special import fdtri

    return float(fdtri(dof_above, dof_below, 1.0 - tail))
