"""Polynomials fitted to a window that slides along equally spaced samples: smoothing and derivatives.

A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627. Written out here because loading `scipy.signal` for it
takes as long as the analysis of a whole check.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


def fitted(
    y: NDArray[np.float64], window: int, degree: int, *, derivative: int = 0, step: float = 1.0
) -> NDArray[np.float64]:
    """The fitted polynomials, or a derivative of theirs, at each of the n samples `y` (n).

    `window` is odd, above `degree` and at most n; `step` is the distance of two samples. Within half a window
    of an end, the polynomial of the first or last whole window.

    Raises ValueError for another window.

    >>> fitted(np.array([1.0, 4.0, 9.0, 16.0, 25.0, 36.0]), 5, 2, derivative=1).round(9).tolist()
    [2.0, 4.0, 6.0, 8.0, 10.0, 12.0]
    """
    if window % 2 == 0 or not degree < window <= y.size:
        raise ValueError(f"an odd window above {degree} and of at most {y.size} samples expected, found {window}")
    half = window // 2
    places = np.arange(-half, half + 1, dtype=np.float64)
    weights = _weights(window, degree)
    unit = (half * step) ** derivative
    inner = np.correlate(y, weights[derivative] * math.factorial(derivative) / unit, mode="valid")

    def edge(samples: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
        polynomial = np.polynomial.Polynomial(weights @ samples)
        return np.asarray(polynomial.deriv(derivative)(at / half) / unit, dtype=np.float64)

    return np.concatenate((edge(y[:window], places[:half]), inner, edge(y[-window:], places[half + 1 :])))


@lru_cache(maxsize=64)
def _weights(window: int, degree: int) -> NDArray[np.float64]:
    """Coefficients of the polynomial from the samples of a window (degree + 1 by window), in half windows."""
    half = window // 2
    places = np.arange(-half, half + 1) / half
    return np.asarray(np.linalg.pinv(np.vander(places, degree + 1, increasing=True)), dtype=np.float64)
