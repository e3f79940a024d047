"""Analysis of variance of a balanced crossed design whose factors are all random, with any number of factors.

Every factor and every interaction is a term. With n repeats in a cell the expected mean square of a term S is

    E[MS_S] = s_e^2 + sum over the terms T that contain S of (values at each combination of T's levels) s_T^2

(R. L. Anderson and T. A. Bancroft, Statistical Theory in Research, 1952, chapter 22 (from memory)); with two factors it
is the table of the AIAG manual (Measurement Systems Analysis, 4th edition). Solved for s_T^2 every component of
variance is a linear combination of mean squares, and so is any sum of components.

A factor nested in another is analysed by merging: what differs from day to day on one bench is the sum of squares of
the days together with that of benches x days. Pooling a term merges it with the repeats.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.compare.between import f_tail
from harness.study.limits import MeanSquare, effective_dof, limits

Factors = tuple[str, ...]
REPEATS: Factors = ()
POOLED_ABOVE = 0.25
"""p-value of an interaction above which it is taken for scatter of the repeats (AIAG manual, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A line of the table. `size`: how many values share one combination of its factors' levels."""

    factors: Factors
    ss: float
    dof: int
    size: int = 1

    @property
    def ms(self) -> float:
        """Mean square; 0 without a degree of freedom."""
        return self.ss / self.dof if self.dof else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """A linear combination of mean squares: an estimated variance, below 0 where chance will have it so."""

    parts: tuple[tuple[float, MeanSquare], ...]

    @property
    def value(self) -> float:
        """The estimate."""
        return math.fsum(factor * square.ms for factor, square in self.parts)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Satterthwaite, Biometrics Bulletin 2 (1946) 110); 0 where it is not above 0."""
        return effective_dof(self.parts)

    def limits(self, probability: float = 0.95) -> tuple[float, float]:
        """Two-sided confidence limits, at least 0; see harness.study.limits."""
        return limits(self.parts, probability)


@dataclass(frozen=True, slots=True, kw_only=True)
class FTest:
    """Whether a term is more than what stands below it. `approximate`: against a sum of several mean squares."""

    f: float
    p: float
    dof_below: float
    approximate: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """The analysis: its terms, smallest first, and the repeats, with what was pooled into them."""

    terms: tuple[Term, ...]
    error: Term
    pooled: tuple[Factors, ...] = ()

    def term(self, factors: Factors) -> Term | None:
        """A term by its factors; None where it is merged with another."""
        return next((term for term in (*self.terms, self.error) if term.factors == factors), None)

    def merged(self, factors: Factors, into: Factors) -> Table:
        """The table with one term added to another; `into` REPEATS pools it."""
        gone, kept = self.term(factors), self.term(into)
        if gone is None or kept is None:
            raise ValueError(f"no terms {factors}, {into} in {[term.factors for term in self.terms]}")
        joint = replace(kept, ss=kept.ss + gone.ss, dof=kept.dof + gone.dof)
        rest = tuple(joint if term.factors == into else term for term in self.terms if term.factors != factors)
        if into != REPEATS:
            return replace(self, terms=rest)
        return replace(self, terms=rest, error=joint, pooled=(*self.pooled, factors))

    def with_pooling(self, among: Collection[Factors], above: float = POOLED_ABOVE) -> Table:
        """Pool those interactions whose p-value is above the limit, largest first, unless one that holds it is kept."""
        table = self
        for factors in sorted(among, key=len, reverse=True):
            held = any(set(factors) < set(term.factors) for term in table.terms)
            if table.term(factors) is not None and not held:
                test = table.test(factors)
                if test is None or test.p > above:
                    table = table.merged(factors, REPEATS)
        return table

    def component(self, *sources: Factors) -> Combination:
        """The component of variance of a term (REPEATS for those), or the sum of several."""
        summed: dict[Factors, float] = {}
        effects = self._effects()
        for factors in sources:
            term = self.term(factors)
            if term is None:
                raise ValueError(f"no term {factors}")
            for key, factor in effects[factors].items():
                summed[key] = summed.get(key, 0.0) + factor / term.size
        return self._combination(summed)

    def test(self, factors: Factors) -> FTest | None:
        """F of a term over what its mean square would be without its own component.

        Infinite where nothing scatters below it. None where nothing scatters at all, or a sum came out below 0.
        """
        term, effect = self.term(factors), self._effects()[factors]
        if term is None:
            return None
        below = self._combination({key: -factor for key, factor in effect.items() if key != factors})
        approximate = len(below.parts) > 1
        if below.value <= 0.0:
            certain = term.ms > 0.0 and not approximate
            return FTest(f=math.inf, p=0.0, dof_below=self.error.dof, approximate=False) if certain else None
        f, dof = term.ms / below.value, below.dof
        return FTest(f=f, p=f_tail(f, term.dof, dof), dof_below=dof, approximate=approximate)

    def _effects(self) -> Mapping[Factors, dict[Factors, float]]:
        """size x component of each term, as factors of mean squares."""
        effects: dict[Factors, dict[Factors, float]] = {REPEATS: {REPEATS: 1.0}}
        for term in sorted(self.terms, key=lambda line: -len(line.factors)):
            own = {term.factors: 1.0, REPEATS: -1.0}
            for larger in self.terms:
                if set(larger.factors) > set(term.factors):
                    for key, factor in effects[larger.factors].items():
                        own[key] = own.get(key, 0.0) - factor
            effects[term.factors] = own
        return effects

    def _combination(self, factors: Mapping[Factors, float]) -> Combination:
        parts = []
        for key, factor in factors.items():
            term = self.term(key)
            if term is not None and abs(factor) > 1e-12:  # what cancels but for rounding is gone
                parts.append((factor, MeanSquare(ms=term.ms, dof=term.dof)))
        return Combination(parts=tuple(parts))


def crossed(values: NDArray[np.float64], names: Sequence[str]) -> Table:
    """The analysis of values in an array of shape (levels of each factor in `names`, repeats).

    A factor with one level has no term. With one value a cell the largest interaction cannot be told from the repeats
    and stands for them. Raises MeasurementError where nothing is left that scatters freely.

    >>> readings = np.array([[5.01, 5.03], [5.11, 5.13], [4.99, 5.01]])  # three boards, twice each
    >>> table = crossed(readings, ["board"])
    >>> round(math.sqrt(table.component(("board",)).value), 4), round(math.sqrt(table.component(REPEATS).value), 4)
    (0.0635, 0.0141)
    """
    if values.ndim != len(names) + 1 or not values.size:
        raise ValueError(f"expected an axis for each of {list(names)} and one for repeats, found {values.shape}")
    axes = [axis for axis, levels in enumerate(values.shape[:-1]) if levels > 1]
    moved = values - values.flat[0]  # means of numbers with many leading digits in common lose what tells them apart
    effects: dict[tuple[int, ...], NDArray[np.float64]] = {(): np.mean(moved, keepdims=True)}
    terms = []
    for count in range(1, len(axes) + 1):
        for chosen in combinations(axes, count):
            others = tuple(axis for axis in range(values.ndim) if axis not in chosen)
            effect = np.mean(moved, axis=others, keepdims=True)
            for lower, lower_effect in effects.items():
                if set(lower) < set(chosen):
                    effect = effect - lower_effect
            effects[chosen] = effect
            size = values.size // math.prod(values.shape[axis] for axis in chosen)
            dof = math.prod(values.shape[axis] - 1 for axis in chosen)
            squares = size * math.fsum((effect**2).flat)
            terms.append(Term(factors=tuple(names[axis] for axis in chosen), ss=squares, dof=dof, size=size))
    cells = values.size // values.shape[-1]
    within = math.fsum(((moved - np.mean(moved, axis=-1, keepdims=True)) ** 2).flat)
    table = Table(terms=tuple(terms), error=Term(factors=REPEATS, ss=within, dof=values.size - cells))
    if not table.error.dof and terms:
        table = table.merged(terms[-1].factors, REPEATS)
    if not table.error.dof:
        raise MeasurementError("nothing was repeated: expected at least 2 runs of one board")
    return table
