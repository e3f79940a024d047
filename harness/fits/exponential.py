"""Exponential approach to a final level with one or two time constants: heating, cooling.

Two thermal nodes (winding and housing) need two terms; one exponential stopped at 1, 2 or 4 time
constants has the final rise off by tens of per cent. Where the samples cannot support a second term
there is one, and `why` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from harness.base.errors import MeasurementError
from harness.fits import regression as fit
from harness.nouns.array import Array
from harness.nouns.quantity import Contribution, Quantity, combine, propagate

PARTED = 0.5
"""Both changes of level must be known to this share of themselves, or the second term is chance (two deviations)."""
LEAST_RATIO = 2.5
"""Time constants closer than this cannot be told from one (arbitrary)."""
AS_GOOD = 6.0
"""Two terms fit as well if they cost no more than this many residual variances over the best (2 to 2.5 deviations)."""
PATIENCE = 300
"""Tries of a model until two terms count as not to be told from one; those that can be take some 30 (tried)."""
GRID = 14
"""Starting time constants tried, from the sampling interval to three times the record (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """y(t) = final - slow_change e^(-t / slow_time) - fast_change e^(-t / fast_time).

    The changes are signed (positive for heating). With one term the fast ones are None.
    """

    terms: int
    why: str
    start: Quantity
    """Level at t = 0."""
    final: Quantity
    slow_change: Quantity
    slow_time: Quantity
    fast_change: Quantity | None
    fast_time: Quantity | None
    fit: fit.Fit

    def at(self, t_s: ArrayLike) -> Array:
        """The fitted level at instants (s), an array of as many."""
        times = np.asarray(t_s, dtype=np.float64)
        level = self.final.value - self.slow_change.value * np.exp(-times / self.slow_time.value)
        if self.fast_change is not None and self.fast_time is not None:
            level = level - self.fast_change.value * np.exp(-times / self.fast_time.value)
        return np.asarray(level, dtype=np.float64)


def approach(
    t_s: ArrayLike,
    y: ArrayLike,
    unit: str,
    source: str,
    *,
    start: float | None = None,
    final: float | None = None,
    u_y: float | None = None,
    most_terms: int = 2,
) -> Approach:
    """Fit one or two exponentials to levels `y` in `unit` (n) at instants (n).

    `start` (level at t = 0) or `final` is fixed where it is known; `most_terms` 1 asks for one exponential.

    The scatter of the residuals, inflated for neighbours that move together, makes the uncertainty, at
    least as large as `u_y` does. With one term, how far a second term would move the final level is a
    contribution of its own (`<source>.model`), so that stopping early is paid for.

    Raises MeasurementError for too few samples or a level that does not move.

    >>> t = np.linspace(0.0, 1500.0, 40)
    >>> warming = approach(t, 50.0 - 30.0 * np.exp(-t / 400.0), "K", "warming", most_terms=1)
    >>> print(f"{warming.final.value:.3f} K, {warming.slow_time.value:.2f} s from {warming.start.value:.3f} K")
    50.000 K, 400.00 s from 20.000 K
    """
    times, values = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if times.size < 4 or times.size != values.size or np.ptp(values) == 0.0 or not np.ptp(times) > 0.0:
        raise MeasurementError(f"an exponential fit needs at least 4 samples of a level that moves, found {times.size}")
    order = np.argsort(times, kind="stable")
    problem = _Problem(times=times[order], values=values[order], start=start, final=final)
    single = _fitted(problem, 1)
    two: fit.Fit | None = None
    why = "one time constant was asked for"
    if most_terms > 1:
        two, why = _second_term(problem, single)
    if two is not None:
        return _result(problem, _honest(two, u_y), 2, "", unit, source)
    result = _result(problem, _honest(single, u_y), 1, why, unit, source)
    if most_terms == 1 or final is not None:
        return result
    return _with_model_doubt(problem, result, source)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    times: Array
    values: Array
    start: float | None
    final: float | None

    def columns(self, constants: Array) -> tuple[Array, Array]:
        """Design (n by linear parameters) and the known part of the level, for given time constants.

        Linear parameters: the level that is free (final, or start where final is known), the changes.
        """
        falls = np.exp(-self.times[:, None] / constants[None, :])
        ones = np.ones((self.times.size, 1))
        if self.start is not None:
            # y = start + sum of change (1 - e); the final level follows.
            return np.asarray(1.0 - falls), np.full(self.times.size, self.start)
        if self.final is not None:
            return np.asarray(-falls), np.full(self.times.size, self.final)
        return np.asarray(np.hstack((ones, -falls))), np.zeros(self.times.size)

    def final_of(self, linear: Array) -> float:
        """Final level that linear parameters stand for."""
        if self.start is not None:
            return float(self.start + np.sum(linear))
        return float(linear[0]) if self.final is None else self.final


def _grid(problem: _Problem) -> Array:
    """Time constants to try (s)."""
    span = float(np.ptp(problem.times))
    shortest = max(span / (problem.times.size - 1), span * 1e-3)
    return np.asarray(np.geomspace(shortest, 3.0 * span, GRID), dtype=np.float64)


def _at(problem: _Problem, constants: Array) -> tuple[float, Array]:
    """Sum of squares and linear parameters at given time constants."""
    design, known = problem.columns(constants)
    linear = np.asarray(np.linalg.lstsq(design, problem.values - known, rcond=None)[0], dtype=np.float64)
    return float(np.sum((problem.values - known - design @ linear) ** 2)), linear


def _fitted(problem: _Problem, terms: int) -> fit.Fit:
    """Best fit: linear parameters for a grid of time constants, then all of them together."""
    best: tuple[float, Array, Array] | None = None
    for chosen in combinations(_grid(problem), terms):
        constants = np.array(chosen[::-1])  # slow first
        cost, linear = _at(problem, constants)
        if best is None or cost < best[0]:
            best = (cost, linear, constants)
    if best is None:
        raise MeasurementError("an exponential fit found no time constant to start from")
    _, linear, constants = best

    def model(parameters: Array) -> Array:
        design, known = problem.columns(np.exp(parameters[-terms:]))
        return np.asarray(known + design @ parameters[:-terms], dtype=np.float64)

    return fit.nonlinear(model, [*linear.tolist(), *np.log(constants).tolist()], problem.values, patience=PATIENCE)


def _second_term(problem: _Problem, single: fit.Fit) -> tuple[fit.Fit | None, str]:
    """The two-term fit if the samples support it; otherwise None and the reason."""
    try:
        two = _fitted(problem, 2)
    except MeasurementError as error:
        return None, f"one time constant: {error}"
    fast, slow = sorted(two.values[-2:])
    if slow - fast < math.log(LEAST_RATIO):
        return None, "one time constant: a second one lies too close to it"
    if slow > math.log(10.0 * float(np.ptp(problem.times))):
        return None, "one time constant: the record is too short for the slow one"
    if two.dof < 1 or two.chi_squared <= 0.0:
        return (
            (two, "") if two.chi_squared < 1e-9 * single.chi_squared else (None, "one time constant: too few samples")
        )
    changes = two.values[-4:-2]
    if np.sign(changes[0]) != np.sign(changes[1]) or np.any(two.u[-4:-2] > PARTED * np.abs(changes)):
        return None, "one time constant: the samples do not part a second one"
    return two, ""


def _honest(fitted: fit.Fit, u_y: float | None) -> fit.Fit:
    """Covariance inflated for residuals that move together, and for points known to be worse than they scatter."""
    factor = fit.inflation(fitted.residuals)
    if u_y is not None and fitted.residual_deviation > 0.0:
        factor = max(factor, u_y / fitted.residual_deviation)
    return replace(fitted, covariance=fitted.covariance * factor**2, dof=max(fitted.dof / factor**2, 1.0))


def _result(problem: _Problem, fitted: fit.Fit, terms: int, why: str, unit: str, source: str) -> Approach:
    """Parameters in words, slow term first."""
    units = [unit] * (len(fitted.values) - terms) + ["1"] * terms
    parts = fitted.quantities(units, source, "a longer record")
    changes, logs = parts[-2 * terms : -terms], parts[-terms:]
    if terms == 2 and logs[0].value < logs[1].value:
        changes, logs = changes[::-1], logs[::-1]
    total = [(1.0, change) for change in changes]
    if problem.start is not None:
        start = Quantity(value=problem.start, unit=unit)
        final = combine([(1.0, start), *total], unit)
    else:
        final = parts[0] if problem.final is None else Quantity(value=problem.final, unit=unit)
        start = combine([(1.0, final), *((-factor, change) for factor, change in total)], unit)
    constants = [propagate(_exponential, "s", logarithm=log) for log in logs]
    return Approach(
        terms=terms,
        why=why,
        start=start,
        final=final,
        slow_change=changes[0],
        slow_time=constants[0],
        fast_change=changes[1] if terms == 2 else None,
        fast_time=constants[1] if terms == 2 else None,
        fit=fitted,
    )


def _with_model_doubt(problem: _Problem, result: Approach, source: str) -> Approach:
    """Add what a single term may get wrong: how far any two terms that fit as well would move the final level."""
    costs = [
        (cost, linear)
        for constants in combinations(_grid(problem), 2)
        for cost, linear in [_at(problem, np.array(constants[::-1]))]
        if linear[-1] * linear[-2] >= 0.0  # both heat, or both cool
    ]
    least = min(result.fit.chi_squared, min((cost for cost, _ in costs), default=math.inf))
    limit = least + AS_GOOD * result.fit.chi_squared / result.fit.dof
    finals = [problem.final_of(linear) for cost, linear in costs if cost <= limit]
    shift = max((abs(final - result.final.value) for final in finals), default=0.0)
    if shift == 0.0:
        return result
    doubt = Contribution(u=shift / math.sqrt(3.0), shape="rectangular", remedy="a longer record")
    return replace(result, final=replace(result.final, budget={**result.final.budget, f"{source}.model": doubt}))


def _exponential(logarithm: float) -> float:
    return math.exp(logarithm)
