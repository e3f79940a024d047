"""First-order lags behind an input that is known: what a body's temperature makes of the power put into it.

A sum of lags has a gain and a time constant each and, where it was not at rest when the record began, what is left of
earlier inputs. The input is taken as it was measured, however it was switched meanwhile: nothing need be constant.
Source: linear systems, any textbook; variable projection by a grid of time constants for the start.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.fits import regression
from harness.nouns.array import Array

PARTED = 0.5
"""Every gain must be known to this share of itself, or its term is chance (two deviations)."""
LEAST_RATIO = 2.5
"""Time constants closer than this cannot be told from one (arbitrary)."""
AS_GOOD = 6.0
"""A model fits as well if it costs no more than this many residual variances over the best (2 to 2.5 deviations)."""
PATIENCE = 400
"""Tries of a model until its terms count as not to be told apart; those that can be take some 50 (tried)."""
GRID = 14
"""Starting time constants tried, from the sampling interval to three times the record (arbitrary)."""
KEPT = 64
"""Lags of one input that are kept (arbitrary)."""
RANGE = 300.0
"""Powers of e whose product with a level a float holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """A known input: straight from each of the instants `at_s` (n + 1) to the next, from `first` to `last` (n each).

    It may jump at an instant.
    """

    at_s: Array
    first: Array
    last: Array
    _lagged: dict[float, Array] = field(default_factory=dict, init=False, repr=False, compare=False)
    """The latest that were asked for: a fit asks again and again for the same."""

    def lagged(self, time_s: float) -> Array:
        """Its first-order lag of unit gain at the instants (n + 1), from rest; exact for such an input.

        >>> step = Input(at_s=np.array([0.0, 1.0, 3.0]), first=np.ones(2), last=np.ones(2))
        >>> step.lagged(2.0).round(4).tolist()
        [0.0, 0.3935, 0.7769]
        """
        if time_s not in self._lagged:
            if len(self._lagged) >= KEPT:
                self._lagged.clear()
            self._lagged[time_s] = self._lag(time_s)
        return self._lagged[time_s]

    def slope(self, time_s: float) -> Array:
        """Derivative of `lagged` by the logarithm of the time constant, at the instants (n + 1); exact, too.

        >>> step = Input(at_s=np.array([0.0, 1.0, 3.0]), first=np.ones(2), last=np.ones(2))
        >>> step.slope(2.0).round(4).tolist(), [round(-s * math.exp(-s), 4) for s in (0.0, 0.5, 1.5)]
        ([0.0, -0.3033, -0.3347], [-0.0, -0.3033, -0.3347])
        """
        share, kept, mean = self._shares(time_s)
        moved = mean - kept  # of `mean`, by the logarithm of the time constant; `kept` moves by share * kept
        gained = share * kept * self.lagged(time_s)[:-1] - self.last * moved + self.first * (moved - share * kept)
        return _summed(share, gained)

    def _lag(self, time_s: float) -> Array:
        share, kept, mean = self._shares(time_s)
        return _summed(share, self.last * (1.0 - mean) + self.first * (mean - kept))

    def _shares(self, time_s: float) -> tuple[Array, Array, Array]:
        """Each interval in time constants; what is left of a level after it, and on the mean during it."""
        share = np.diff(self.at_s) / time_s
        lost = -np.expm1(-share)
        mean = 1.0 - share / 2.0
        np.divide(lost, share, out=mean, where=share > 1e-6)
        return share, 1.0 - lost, mean


def _summed(share: Array, gained: Array) -> Array:
    """The level (n + 1) that starts at 0, falls by exp(-share) in each interval (n) and gains what is `gained` there.

    Level by level would be a loop; growing weights do as many at once as a float's range holds.
    """
    levels = np.zeros(gained.size + 1)
    since = np.cumsum(share)
    begin, begun = 0, 0.0
    while begin < gained.size:
        end = max(begin + 1, int(np.searchsorted(since, begun + RANGE, side="right")))
        grown = np.exp(np.minimum(since[begin:end] - begun, 2.0 * RANGE))
        levels[begin + 1 : end + 1] = (levels[begin] + np.cumsum(gained[begin:end] * grown)) / grown
        begin, begun = end, float(since[end - 1])
    return levels


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """One more parameter, of which something is known before it is fitted: `value` with a standard uncertainty `u`.

    `effect` is what one of it does to each level (m), which has a standard uncertainty of `u_y`.
    """

    effect: Array
    value: float
    u: float
    u_y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRecord:
    """Levels `y` (m) at some of an input's instants, `places` (m), and what else is known of them.

    `at_rest`: nothing is left of earlier inputs when it begins; otherwise every term has a start of its own.
    `known` (n + 1) is a part of the level that no parameter changes; `also_s` are time constants of further terms, of
    which the gains alone are parameters; `beliefs` are further parameters, linear and the last of those.
    """

    drive: Input
    places: NDArray[np.intp]
    y: Array
    at_rest: bool
    known: Array | None = None
    also_s: tuple[float, ...] = ()
    beliefs: tuple[Belief, ...] = ()
    quick: tuple[tuple[float, float], ...] = ((1.0, 1.0),)
    """Of what the second term is made: shares of its gain, and times over its own."""

    @property
    def driven(self) -> bool:
        """Whether there is an input at all; without one there is only what is left of earlier ones."""
        return bool(np.any(self.drive.first) or np.any(self.drive.last))

    @property
    def length_s(self) -> float:
        """From the first sample to the last."""
        return float(np.ptp(self.drive.at_s[self.places]))

    def rest(self) -> Array:
        """What is to be fitted: the levels less what is known of them, and what is believed."""
        rest = self.y if self.known is None else np.asarray(self.y - self.known[self.places], dtype=np.float64)
        return np.append(rest, [belief.value * belief.u_y / belief.u for belief in self.beliefs])

    def design(self, times_s: Sequence[float]) -> Array:
        """A row for each of `rest`, a column each of: the level, the starts of the terms, the gains of the terms."""
        columns: list[Array] = []
        if not self.at_rest:
            since = self.drive.at_s - self.drive.at_s[0]
            columns += [np.exp(-since / time_s) for time_s in times_s]
        if self.driven:
            columns.append(self.drive.lagged(times_s[0]))
            columns += [self._together(self.drive.lagged, time_s) for time_s in times_s[1:]]
            columns += [self.drive.lagged(time_s) for time_s in self.also_s]
        design = np.ones((self.places.size, 1 + len(columns)))
        for number, column in enumerate(columns, 1):
            design[:, number] = column[self.places]
        if not self.beliefs:
            return design
        sure = np.diag([belief.u_y / belief.u for belief in self.beliefs])
        levels = np.column_stack((design, *(belief.effect for belief in self.beliefs)))
        return np.vstack((levels, np.hstack((np.zeros((len(sure), design.shape[1])), sure))))

    def model(self, parameters: Array, terms: int) -> Array:
        """What parameters make of `rest`: linear ones as `design` has them, then `terms` logarithms of times (s)."""
        return np.asarray(self.design(np.exp(parameters[-terms:]).tolist()) @ parameters[:-terms], dtype=np.float64)

    def slopes(self, parameters: Array, terms: int) -> Array:
        """Derivatives of `model` of so many `terms` by the parameters, a column each."""
        linear, times_s = parameters[:-terms], np.exp(parameters[-terms:]).tolist()
        design = self.design(times_s)
        since = self.drive.at_s - self.drive.at_s[0]
        starts = 0 if self.at_rest else terms
        slopes = np.zeros((len(design), terms))
        for place, time_s in enumerate(times_s):
            slope = np.zeros_like(since)
            if starts:
                slope += linear[1 + place] * np.exp(-since / time_s) * since / time_s
            if self.driven:
                moved = self._together(self.drive.slope, time_s) if place else self.drive.slope(time_s)
                slope += linear[1 + starts + place] * moved
            slopes[: self.places.size, place] = slope[self.places]
        return np.hstack((design, slopes))

    def _together(self, lag: Callable[[float], Array], time_s: float) -> Array:
        """What the parts of the second term make together."""
        return np.asarray(sum(share * lag(ratio * time_s) for share, ratio in self.quick), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lag:
    """One lag: its gain, its time constant (s), and what is left in it of earlier inputs when the record begins."""

    gain: float
    time_s: float
    start: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A fitted sum of lags, slowest first and those of fixed times last."""

    record: LevelRecord
    terms: int
    """How many of them have a time that was fitted."""
    why: str
    """Why there is one such term only; "" where there are two."""
    fit: regression.Fit

    def parted(self, parameters: Array) -> tuple[float, tuple[Lag, ...]]:
        """Level and terms that parameters stand for."""
        record, terms = self.record, self.terms
        times = (*np.exp(parameters[-terms:]).tolist(), *record.also_s)
        linear = parameters[1:-terms].tolist()
        starts = [] if record.at_rest else linear[:terms]
        gains = linear[len(starts) :]
        starts += [0.0] * (len(times) - len(starts))
        gains = gains[: len(times)] + [0.0] * (len(times) - len(gains))
        found = [
            Lag(gain=gain, time_s=time_s, start=start) for gain, time_s, start in zip(gains, times, starts, strict=True)
        ]
        if terms == 2:
            quick = found[1]
            found[1:2] = [
                Lag(gain=share * quick.gain, time_s=ratio * quick.time_s, start=share * quick.start)
                for share, ratio in record.quick
            ]
        return float(parameters[0]), tuple(found)

    def with_beliefs(self, record: LevelRecord) -> Response:
        """The same parameters for a record with beliefs, as a beginning."""
        values = np.insert(self.fit.values, self.fit.values.size - self.terms, [each.value for each in record.beliefs])
        return replace(self, record=record, fit=replace(self.fit, values=values))

    def slowest(self) -> Array:
        """What the slowest term makes of the level, with what is known of it, at all of the input's instants."""
        slow = self.parted(self.fit.values)[1][0]
        since = self.record.drive.at_s - self.record.drive.at_s[0]
        part = slow.start * np.exp(-since / slow.time_s) + slow.gain * self.record.drive.lagged(slow.time_s)
        return np.asarray(part if self.record.known is None else part + self.record.known, dtype=np.float64)

    def moved(self, changed: LevelRecord) -> Array:
        """The parameters that a slightly different record of as many levels has, by one Gauss-Newton step."""
        off = changed.rest() - changed.model(self.fit.values, self.terms)
        return np.asarray(self.fit.values + self._inverse() @ off, dtype=np.float64)

    def _inverse(self) -> Array:
        """Of the derivatives of the levels by the parameters."""
        jacobian = self.record.slopes(self.fit.values, self.terms)
        scale = np.linalg.norm(jacobian, axis=0)
        return np.asarray(np.linalg.pinv(jacobian / scale) / scale[:, None], dtype=np.float64)


def respond(record: LevelRecord, most_terms: int = 2) -> Response:
    """Fit a sum of one or two lags; two only where the samples part them.

    Covariance by the scatter of the residuals, inflated for neighbours that move together.

    Raises MeasurementError for too few samples, for a level that does not move, or where not even one term is told.

    >>> at = np.arange(0.0, 1500.0, 15.0)
    >>> power = np.where(at[:-1] < 500.0, 2.0, 1.0)
    >>> drive = Input(at_s=at, first=power, last=power)
    >>> body = 20.0 + 30.0 * drive.lagged(400.0)
    >>> found = respond(LevelRecord(drive=drive, places=np.arange(at.size), y=body, at_rest=True), most_terms=1)
    >>> level, (term,) = found.parted(found.fit.values)
    >>> round(level, 4), round(term.gain, 4), round(term.time_s, 2)
    (20.0, 30.0, 400.0)
    """
    if record.y.size < 4 or np.ptp(record.y) == 0.0 or not record.length_s > 0.0:
        raise MeasurementError(f"a fit of lags needs at least 4 samples of a level that moves, found {record.y.size}")
    why = "one time constant was asked for"
    if most_terms > 1:
        two, why = _second(record)
        if two is not None:
            return Response(record=record, terms=2, why="", fit=_honest(two))
    return Response(record=record, terms=1, why=why, fit=_honest(_fitted(record, _start(record, 1), 1)))


def again(response: Response, record: LevelRecord) -> Response:
    """The same model on a record that differs, fitted from where it was. Raises MeasurementError."""
    fit = _fitted(record, response.fit.values.tolist(), response.terms)
    return replace(response, record=record, fit=_honest(fit))


def one_more(response: Response, times_s: Sequence[float]) -> list[Response]:
    """Those responses with one more term, of each of the time constants, that fit as well as any.

    A term of the other sense than the slowest is none, beyond what chance makes of nothing (two deviations): what is
    warmed by the one is not cooled by the other.
    """
    found = []
    for time_s in times_s:
        record = replace(response.record, also_s=(time_s,))
        start = _start(record, response.terms)
        try:
            fit = _fitted(record, start, response.terms)
        except MeasurementError:
            fit = _as_started(record, start, response.terms)
        wider = replace(response, record=record, fit=_honest(fit))
        terms = wider.parted(fit.values)[1]
        place = 1 + (0 if record.at_rest else wider.terms) + wider.terms
        if math.copysign(1.0, terms[0].gain) * terms[-1].gain > -2.0 * float(wider.fit.u[place]):
            found.append((fit, wider))
    best = min((fit for fit, _ in found), key=lambda fit: fit.chi_squared, default=response.fit)
    best = min(best, response.fit, key=lambda fit: fit.chi_squared)
    limit = best.chi_squared * (1.0 + AS_GOOD / max(best.dof, 1.0))
    return [wider for fit, wider in found if fit.chi_squared <= limit]


def _start(record: LevelRecord, terms: int) -> list[float]:
    """Best parameters on a grid of time constants."""
    shortest = max(record.length_s / (record.y.size - 1), record.length_s * 1e-3)
    grid = np.geomspace(shortest, 3.0 * record.length_s, GRID).tolist()
    best: tuple[float, list[float]] | None = None
    for chosen in combinations(grid, terms):
        times = chosen[::-1]  # slow first
        design = record.design(times)
        linear = np.linalg.lstsq(design, record.rest(), rcond=None)[0]
        cost = float(np.sum((record.rest() - design @ linear) ** 2))
        if best is None or cost < best[0]:
            best = (cost, [*linear.tolist(), *np.log(times).tolist()])
    if best is None:
        raise MeasurementError("a fit of lags found no time constant to start from")
    return best[1]


def _fitted(record: LevelRecord, start: list[float], terms: int) -> regression.Fit:
    """All parameters together, slowest term first."""
    fit = regression.nonlinear(
        lambda parameters: record.model(parameters, terms),
        start,
        record.rest(),
        slopes=lambda parameters: record.slopes(parameters, terms),
        patience=PATIENCE,
    )
    if terms == 2 and fit.values[-2] < fit.values[-1]:
        order = np.arange(fit.values.size)
        for place in range(terms if record.driven and not record.at_rest else 1):
            order[[1 + 2 * place, 2 + 2 * place]] = order[[2 + 2 * place, 1 + 2 * place]]
        order[[-2, -1]] = order[[-1, -2]]
        fit = replace(fit, values=fit.values[order], covariance=fit.covariance[np.ix_(order, order)])
    return fit


def _as_started(record: LevelRecord, start: list[float], terms: int) -> regression.Fit:
    """Linear parameters alone, at times that will not be fitted any better."""
    linear = regression.linear(record.design(np.exp(start[-terms:]).tolist()), record.rest())
    size = linear.values.size
    covariance = np.zeros((size + terms, size + terms))
    covariance[:size, :size] = linear.covariance
    return replace(linear, values=np.append(linear.values, start[-terms:]), covariance=covariance)


def _second(record: LevelRecord) -> tuple[regression.Fit | None, str]:
    """The fit of two terms if the samples support it; otherwise None and the reason."""
    try:
        two = _fitted(record, _start(record, 2), 2)
    except MeasurementError as error:
        return None, f"one time constant: {error}"
    slow, fast = two.values[-2:]
    if slow - fast < math.log(LEAST_RATIO):
        return None, "one time constant: a second one lies too close to it"
    if slow > math.log(10.0 * record.length_s):
        return None, "one time constant: the record is too short for the slow one"
    # What tells two terms is what the input, or the lack of one, makes of them.
    sizes = slice(-4, -2)
    if two.values[sizes][0] * two.values[sizes][1] <= 0.0 or np.any(two.u[sizes] > PARTED * np.abs(two.values[sizes])):
        return None, "one time constant: the samples do not part a second one"
    return two, ""


def _honest(fit: regression.Fit) -> regression.Fit:
    """Covariance inflated for residuals that move together."""
    factor = regression.inflation(fit.residuals)
    return replace(fit, covariance=fit.covariance * factor**2, dof=max(fit.dof / factor**2, 1.0))
