"""How long an exponentially weighted moving average runs until it leaves its limits.

    z_i = (1 - w) z_(i-1) + w x_i,   z_0 = 0,   out where |z_i| > L sqrt(w / (2 - w))

for independent normal x of unit variance. The mean number of values up to and with the first one outside solves an
integral equation (S. V. Crowder, Technometrics 29 (1987) 401):

    N(z) = 1 + integral over (-h, h) of N(y) phi((y - (1 - w) z) / w - shift) / w dy
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from harness.base.errors import UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NODES = 64
"""Gauss-Legendre nodes. Arbitrary: six digits at the smallest weight, which has the narrowest kernel."""

LEAST_LIMIT = 0.2
HALVINGS = 33
"""Of the interval in which a limit is looked for: to 1e-9."""
MOST_LIMIT = 5.2
"""A mean run to it is beyond 1e6 values at any weight; much beyond, the equations say nothing any more."""


@lru_cache
def run_length(limit: float, weight: float, shift: float = 0.0) -> float:
    """Mean run length at limits of `limit` standard deviations of the average, mean of x `shift`.

    `weight` is w. Raises UsageError unless 0.05 <= weight <= 1 and limit is positive.

    >>> round(run_length(3.0, 1.0), 1), round(run_length(2.8593, 0.2))  # a plain chart; a chart of the literature
    (370.4, 370)
    """
    import numpy as np

    if not 0.05 <= weight <= 1.0 or not limit > 0.0:
        raise UsageError(f"expected a weight from 0.05 to 1 and a limit above 0, found {weight} and {limit}")
    half = limit * math.sqrt(weight / (2.0 - weight))
    nodes, weights = _nodes()
    y, dy = half * nodes, half * weights

    def kernel(z: object) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        apart = (y[None, :] - (1.0 - weight) * np.asarray(z, dtype=np.float64)[:, None]) / weight - shift
        return np.asarray(np.exp(-0.5 * apart**2) / math.sqrt(math.tau) / weight * dy[None, :], dtype=np.float64)

    lengths = np.linalg.solve(np.eye(NODES) - kernel(y), np.ones(NODES))
    return float(1.0 + (kernel([0.0]) @ lengths)[0])


@lru_cache
def limit_for(length: float, weight: float) -> float:
    """The limit, in standard deviations of the average, at which a mean run is `length` values where nothing drifts.

    `weight` is w. Raises UsageError unless 10 <= length <= 1e6.

    >>> round(limit_for(370.4, 1.0), 3)
    3.0
    """
    if not 10.0 <= length <= 1e6:
        raise UsageError(f"expected a mean run length from 10 to 1e6, found {length:g}")
    low, high = LEAST_LIMIT, MOST_LIMIT
    for _ in range(HALVINGS):  # done sooner than scipy's root finders are imported
        middle = (low + high) / 2.0
        low, high = (middle, high) if run_length(middle, weight) < length else (low, middle)
    return (low + high) / 2.0


@lru_cache
def _nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import numpy as np

    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return np.asarray(nodes, dtype=np.float64), np.asarray(weights, dtype=np.float64)
