"""Least squares with covariance and degrees of freedom: linear, straight line, nonlinear.

Without standard uncertainties of the points the scatter of the residuals gives them (type A, n - p
degrees of freedom). With them they are weights, and `chi_squared` tells whether model and points fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from harness.base.errors import MeasurementError
from harness.nouns.array import Array
from harness.nouns.quantity import Quantity, from_covariance

TOLERANCE = 1e-12
"""Relative, of parameters and sum of squares, at which a fit has converged: nearer, rounding is all that is gained."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Parameters of a fit with their covariance (p by p), the residuals (n) and n - p degrees of freedom."""

    values: Array
    covariance: Array
    residuals: Array
    dof: float
    chi_squared: float
    """Sum of squared residuals over the points' variances; over 1 where none were given."""
    absolute: bool
    """True where the points' own uncertainties made the covariance, not the scatter."""

    @property
    def u(self) -> Array:
        """Standard uncertainties of the parameters."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    @property
    def residual_deviation(self) -> float:
        """Residual standard deviation, root of chi_squared / dof."""
        return math.sqrt(self.chi_squared / self.dof) if self.dof > 0 else math.nan

    def quantities(self, units: Sequence[str], source: str, remedy: str = "more points") -> list[Quantity]:
        """The parameters as quantities in their `units` (p), correlated by sources `source#1`, ... that they share."""
        dof = math.inf if self.absolute else self.dof
        return from_covariance(self.values.tolist(), self.covariance.tolist(), units, source, dof, remedy)


def linear(design: ArrayLike, y: ArrayLike, u_y: ArrayLike | None = None, *, absolute: bool | None = None) -> Fit:
    """Weighted linear least squares: y = design @ parameters.

    `design` is n by p, `y` n long, `u_y` the points' standard uncertainties (one or n); they are absolute
    unless `absolute` is False (then only their ratios count). By orthogonal factors, not normal equations.

    Raises MeasurementError for too few points, values that are not finite, or columns that cannot be parted.

    >>> fit = linear([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]], [1.0, 3.1, 4.9])
    >>> fit.values.round(2).tolist(), fit.dof
    ([1.05, 1.95], 1.0)
    """
    matrix, points, u = np.atleast_2d(_array(design)), _array(y), _spread(u_y, y)
    if matrix.shape[0] != points.shape[0]:
        raise MeasurementError(f"a fit needs a row for each point, found {matrix.shape[0]} for {points.shape[0]}")
    _enough(points.size, matrix.shape[1], absolute=u_y is not None and absolute is not False)
    weighted = matrix / u[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    if not np.all(scale > 0.0):
        raise MeasurementError("a fit has a parameter that no point depends on")
    values, _, rank, _ = np.linalg.lstsq(weighted / scale, points / u, rcond=None)
    if rank < matrix.shape[1]:
        raise MeasurementError("the points cannot part the parameters of a fit: spread them further")
    inverse = np.linalg.pinv(weighted / scale)
    values = values / scale
    return _fit(values, (inverse @ inverse.T) / np.outer(scale, scale), points - matrix @ values, u, u_y, absolute)


def straight_line(x: ArrayLike, y: ArrayLike, u_y: ArrayLike | None = None) -> Fit:
    """Intercept and slope, in this order, of y = a + b x; `u_y` and what is raised as in `linear`.

    >>> straight_line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0]).values.round(9).tolist()
    [1.0, 2.0]
    """
    abscissa = _array(x)
    return linear(np.column_stack((np.ones_like(abscissa), abscissa)), y, u_y)


def nonlinear(
    model: Callable[[Array], Array],
    start: Sequence[float],
    y: ArrayLike,
    u_y: ArrayLike | None = None,
    *,
    lower: Sequence[float] | None = None,
    upper: Sequence[float] | None = None,
    absolute: bool | None = None,
    slopes: Callable[[Array], Array] | None = None,
    patience: int = 4000,
) -> Fit:
    """Nonlinear least squares: `model(parameters)` gives what points `y` (n) are expected to be, from `start`.

    Levenberg-Marquardt, a trust region where there are `lower` and `upper` bounds (scipy.optimize.least_squares);
    covariance from the Jacobian at the solution. `u_y` and `absolute` as in `linear`; `slopes(parameters)` gives the
    derivatives (points by parameters), by differences without it; `patience` is how often the model may be tried.

    Raises MeasurementError if it does not converge or the points cannot part the parameters.

    >>> t = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    >>> fit = nonlinear(lambda p: p[0] * np.exp(-t / p[1]), [1.0, 1.0], 3.0 * np.exp(-t / 2.5))
    >>> fit.values.round(6).tolist()
    [3.0, 2.5]
    """
    from scipy.optimize import least_squares

    points, u = _array(y), _spread(u_y, y)
    _enough(points.size, len(start), absolute=u_y is not None and absolute is not False)
    first = _array(start)
    # In units of the start: the differences behind the Jacobian take steps that suit numbers about 1.
    unit = np.where(first == 0.0, 1.0, np.abs(first))
    bounded = lower is not None or upper is not None
    low = np.full(first.size, -np.inf) if lower is None else _bound(lower) / unit
    high = np.full(first.size, np.inf) if upper is None else _bound(upper) / unit

    def weighted(scaled: Array) -> Array:
        return np.asarray((model(scaled * unit) - points) / u, dtype=np.float64)

    def weighted_slopes(scaled: Array) -> Array:
        return np.asarray(slopes(scaled * unit) * unit / u[:, None], dtype=np.float64) if slopes else scaled

    try:
        solution = least_squares(
            weighted,
            first / unit,
            jac="3-point" if slopes is None else weighted_slopes,
            bounds=(low, high),
            method="trf" if bounded else "lm",
            x_scale="jac",
            xtol=TOLERANCE,
            ftol=TOLERANCE,
            gtol=TOLERANCE,
            max_nfev=patience,
        )
    except (ValueError, FloatingPointError) as error:
        raise MeasurementError(f"a fit left the range of its model: {error}") from error
    if solution.status <= 0 or not np.all(np.isfinite(solution.x)):
        raise MeasurementError(f"a fit did not converge: {solution.message}")
    jacobian = np.asarray(solution.jac, dtype=np.float64)
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0.0) or np.linalg.cond(jacobian / scale) > 1e10:
        raise MeasurementError("the points cannot part the parameters of a fit: take them further or longer")
    inverse = np.linalg.pinv(jacobian / scale) * (unit / scale)[:, None]
    return _fit(solution.x * unit, inverse @ inverse.T, -weighted(solution.x) * u, u, u_y, absolute)


def inflation(residuals: ArrayLike) -> float:
    """Factor on a standard uncertainty for residuals (n) of which neighbours move together.

    sqrt((1 + r) / (1 - r)) with the lag-1 autocorrelation r, 1 where r is negative: first-order
    autoregressive noise (G. V. Bayley, J. M. Hammersley, Suppl. J. R. Stat. Soc. 8 (1946) 184).

    >>> inflation([1.0, -1.0, 1.0, -1.0]), round(inflation([1.0, 2.0, 3.0, 2.0, 1.0, 0.0, -1.0, 0.0]), 2)
    (1.0, 2.24)
    """
    r = min(max(autocorrelation(residuals), 0.0), 0.99)
    return math.sqrt((1.0 + r) / (1.0 - r))


def autocorrelation(values: ArrayLike, lag: int = 1) -> float:
    """Autocorrelation coefficient of values (n) at a lag, about the mean; 0 for values that do not vary.

    >>> autocorrelation([1.0, -1.0, 1.0, -1.0])
    -0.75
    """
    series = _array(values)
    deviations = series - math.fsum(series) / series.size
    variance = math.fsum(deviations**2)
    return 0.0 if variance == 0.0 else math.fsum(deviations[lag:] * deviations[: series.size - lag]) / variance


def _bound(values: Sequence[float]) -> Array:
    """Bounds, which may be infinite."""
    return np.asarray(values, dtype=np.float64)


def _array(values: ArrayLike) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise MeasurementError("a fit was given values that are not finite numbers")
    return array


def _spread(u_y: ArrayLike | None, y: ArrayLike) -> Array:
    """Standard uncertainty of each point, 1 where none is given."""
    size = np.asarray(y).size
    u = np.ones(size) if u_y is None else np.broadcast_to(_array(u_y), (size,))
    if not np.all(u > 0.0):
        raise MeasurementError("a fit needs standard uncertainties above 0 for its points")
    return np.asarray(u, dtype=np.float64)


def _enough(points: int, parameters: int, *, absolute: bool) -> None:
    least = parameters if absolute else parameters + 1
    if points < least:
        raise MeasurementError(f"a fit of {parameters} parameters needs at least {least} points, found {points}")


def _fit(
    values: Array, unscaled: Array, residuals: Array, u: Array, u_y: ArrayLike | None, absolute: bool | None
) -> Fit:
    """Put a Fit together; the scatter scales the covariance unless the uncertainties are absolute."""
    known = u_y is not None and absolute is not False
    dof = float(residuals.size - values.size)
    chi_squared = math.fsum((residuals / u) ** 2)
    covariance = unscaled if known else unscaled * (chi_squared / dof)
    return Fit(
        values=np.asarray(values, dtype=np.float64),
        covariance=np.asarray(covariance, dtype=np.float64),
        residuals=residuals,
        dof=dof,
        chi_squared=chi_squared,
        absolute=known,
    )
