"""Coverage: which interval holds the value with a given probability, from the shapes in a budget.

`value +- k u` with a normal k is too wide where one rectangular contribution dominates (JCGM 101:2008,
9.2.4: 19.9 instead of 17.0) and too narrow with few repeats. Here the shapes are convolved.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

from harness.nouns.quantity import Contribution, Quantity, Shape, effective_dof, evaluations

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SQRT3 = math.sqrt(3.0)
# Half-width of a bounded shape in standard deviations (JCGM 101:2008, 6.4.2 to 6.4.6).
REACH: dict[Shape, float] = {"rectangular": SQRT3, "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}
CELLS = 1024
"""Cells of the numerical convolution; arbitrary, error of a half-width below 0.1 %."""
LEAST_TAIL = 1e-15
"""Least probability in a table of tails: less is never asked for (arbitrary)."""
TABLE = 2048
"""Rows of a table of tails (arbitrary): a tail is then known to a ten-thousandth of itself."""
COUNT_U = 4.0
"""Standard uncertainties within which a count lies: one in ten thousand does not (arbitrary)."""
CAUGHT = 0.95
"""How often a deviation of the size that is `detectable` is seen, at least (common practice, no source)."""
MINOR = 0.02
"""Bounded parts below this share of the largest are taken as normal: by then the shape cannot be seen; arbitrary."""


@lru_cache
def shared_risk(risk: float, decisions: int) -> float:
    """One decision's share of a risk that all decisions together may take: 1 - (1 - R)^(1/N).

    >>> f"{shared_risk(0.01, 40):.2e}"
    '2.51e-04'
    """
    return -math.expm1(math.log1p(-risk) / decisions)


@lru_cache(maxsize=65536)
def student_quantile(probability: float, dof: float) -> float:
    """The value that Student's t with `dof` degrees of freedom stays below with `probability`; normal for infinity.

    >>> [round(student_quantile(0.975, dof), 2) for dof in (4, 16, math.inf)]
    [2.78, 2.12, 1.96]
    """
    if math.isinf(dof):
        return NormalDist().inv_cdf(probability)
    from scipy.special import stdtrit

    # The small tail is the exact one: 1 - p loses digits near p = 1.
    return -float(stdtrit(dof, 1.0 - probability)) if probability > 0.5 else float(stdtrit(dof, probability))


def safe_factor(quantity: Quantity, tail: float) -> float:
    """K such that an error beyond K u on one side is rarer than `tail`, whatever the mixture of types A and B.

        K u = root of the sum of (t_i u_i)^2,   t_i the Student quantile at the dof of evaluation i

    (Banerjee, 1960 (from memory): conservative for independent normal errors with estimated
    variances.) The Student quantile at the Welch-Satterthwaite degrees of freedom is not: in the far tail
    that a qualification of some 40 numbers works in, a small scatter by chance shrinks u and raises the
    degrees of freedom at once. With 5 repeats beside a type B part a third as large it is exceeded 11 times
    as often as stated, with 3 repeats 48 times (20 million simulated errors, risk 2.3e-4).

    >>> from harness.nouns.quantity import normal
    >>> [round(safe_factor(normal(1.0, 0.1, "V", "readings", dof=dof), 0.025), 2) for dof in (4, math.inf)]
    [2.78, 1.96]
    """
    variances = evaluations(quantity.budget)
    total = math.fsum(variances.values())
    if total == 0.0:
        return student_quantile(1.0 - tail, math.inf)
    return math.sqrt(
        math.fsum(variance / total * student_quantile(1.0 - tail, dof) ** 2 for (_, dof), variance in variances.items())
    )


def caught_from(gap: Quantity, allowed: float) -> float:
    """The smallest true difference that is found beyond `allowed` CAUGHT of the time; `gap`: how it is found.

    By what its error may take away on its own side: the other limit is two limits away, and less than half the risk of
    one decision lies beyond.

    >>> from harness.nouns.quantity import normal
    >>> round(caught_from(normal(0.0, 0.1, "V", "meter"), 0.3), 3)
    0.464
    """
    return allowed + safe_half_width(gap, 2.0 * (1.0 - CAUGHT))


def half_width(quantity: Quantity, probability: float = 0.95) -> float:
    """Half-width h such that value +- h covers with `probability`; all shapes here are symmetric.

    Normal and type A parts together are a scaled t at their effective degrees of freedom (JCGM 100:2008,
    G.4.1); bounded parts (rectangular, triangular, arcsine) are convolved numerically (JCGM 101:2008, 5.3).

    Raises ValueError unless 0 < probability < 1.

    >>> from harness.nouns.quantity import combine, rectangular
    >>> inputs = [rectangular(0.0, SQRT3, "V", name) for name in "abcd"]  # each of u = 1 V
    >>> total = combine(((1.0, each) for each in inputs), "V")
    >>> round(half_width(inputs[0]), 2), round(half_width(total), 2)  # 1.96 u is too wide for either
    (1.65, 3.88)
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a coverage probability lies between 0 and 1, found {probability}")
    bounded, bell = _parted(quantity)
    u_bell = math.sqrt(math.fsum(part.u**2 for part in bell.values()))
    return _Spread(bounded=bounded, bell=((u_bell, effective_dof(bell)),)).reach(1.0 - probability)


def safe_half_width(quantity: Quantity, risk: float) -> float:
    """Half-width h such that an error beyond it on either side is rarer than `risk`, few repeats or many.

    As `half_width`, but for small risks: what is normal or type A reaches, for every risk, as far as `safe_factor` says
    for that risk, and not as far as effective degrees of freedom let it. Where nothing is bounded, it is K u of
    `safe_factor`. A type A part beside a bounded one is a problem of the kind of Behrens and Fisher's, without a proof
    that we know of: by quadrature over what the scatter may come out as, errors beyond h are never more frequent than
    `risk` (`tests/software/nouns/test_safe_reach.py`: 1 to 9 degrees of freedom, risks of 1e-4 to 0.1), and so they are
    in simulated qualifications.

    Raises ValueError unless 0 < risk <= 1.

    >>> from harness.nouns.quantity import normal, rectangular
    >>> round(safe_half_width(rectangular(0.0, 1.0, "V", "tolerance"), 1e-4), 3)  # nothing lies beyond a tolerance
    1.0
    >>> round(safe_half_width(normal(0.0, 1.0, "V", "readings", dof=4), 0.05), 2)
    2.78
    """
    if not 0.0 < risk <= 1.0:
        raise ValueError(f"a risk lies between 0 and 1, found {risk}")
    return _safe_spread(quantity).reach(risk)


def safe_tail(quantity: Quantity, distance: float) -> float:
    """Probability of an error beyond `distance` on one side, as `safe_half_width` takes errors; 0 of what is exact.

    >>> from harness.nouns.quantity import normal, rectangular
    >>> round(safe_tail(normal(0.0, 1.0, "V", "meter"), 1.645), 3), safe_tail(rectangular(0.0, 1.0, "V", "x"), 0.5)
    (0.05, 0.25)
    """
    if distance < 0.0:
        return 1.0 - safe_tail(quantity, -distance)
    return 0.0 if quantity.exact else _safe_spread(quantity).outside(distance) / 2.0


def interval(quantity: Quantity, probability: float = 0.95) -> tuple[float, float]:
    """Coverage interval (low, high) with `probability`, by the shapes of the contributions. Raises as `half_width`.

    >>> from harness.nouns.quantity import rectangular
    >>> [round(end, 3) for end in interval(rectangular(5.0, 0.01, "V", "meter"), 0.9)]
    [4.991, 5.009]
    """
    half = half_width(quantity, probability)
    return quantity.value - half, quantity.value + half


def whole_numbers(count: Quantity) -> tuple[int, ...]:
    """The whole numbers that a count may be, within COUNT_U standard uncertainties; none where it is no count.

    >>> from harness.nouns.quantity import normal
    >>> [whole_numbers(normal(value, u, "1", "fit")) for value, u in ((11.1, 0.05), (11.85, 0.03), (11.4, 0.2))]
    [(11,), (), (11, 12)]
    """
    reach = COUNT_U * count.u
    return tuple(range(math.ceil(count.value - reach), math.floor(count.value + reach) + 1))


def _parted(quantity: Quantity) -> tuple[tuple[tuple[Shape, float], ...], dict[str, Contribution]]:
    """Bounded parts as (shape, u), and what is normal, type A, or too small for its shape to be seen."""
    largest = max((abs(part.u) for part in quantity.budget.values() if part.shape in REACH), default=0.0)
    least = MINOR * max(largest, quantity.u)
    seen = {source for source, part in quantity.budget.items() if part.shape in REACH and abs(part.u) >= least > 0.0}
    bounded = tuple((part.shape, abs(part.u)) for source, part in quantity.budget.items() if source in seen)
    return bounded, {source: part for source, part in quantity.budget.items() if source not in seen}


def _safe_spread(quantity: Quantity) -> _Spread:
    """The error of a quantity, with each evaluation at its own degrees of freedom."""
    bounded, bell = _parted(quantity)
    variances: dict[float, float] = {}
    for (_, dof), variance in evaluations(bell).items():
        variances[dof] = variances.get(dof, 0.0) + variance
    return _Spread(bounded=bounded, bell=tuple((math.sqrt(variance), dof) for dof, variance in variances.items()))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spread:
    """A symmetric error: bounded shapes convolved, and a bell whose reach at a risk is the root of a sum of squares."""

    bounded: tuple[tuple[Shape, float], ...]
    bell: tuple[tuple[float, float], ...]
    """(standard uncertainty, degrees of freedom) of each term; a single one is a scaled t."""

    def reach(self, risk: float) -> float:
        """The half-width that is exceeded, on either side, with probability `risk`."""
        from scipy.optimize import brentq

        ends = sum(REACH[shape] * u for shape, u in self.bounded)
        alone = self._bell_reach(risk / 2.0)
        if not self.bounded:
            return alone
        if alone == 0.0 and len(self.bounded) == 1 and self.bounded[0][0] == "rectangular":
            return (1.0 - risk) * ends
        # Beyond the sum of both lies less than `risk`, but for half a cell at the very end.
        high = ends + alone
        outside = self._outside()

        def off(half: float) -> float:
            # In logarithms it is nearly straight.
            return math.log(max(outside(half), LEAST_TAIL) / risk)

        if off(0.0) <= 0.0:  # at a risk of 1, by rounding
            return 0.0
        return high if off(high) >= 0.0 else float(brentq(off, 0.0, high, xtol=1e-7 * high, rtol=1e-7))

    def outside(self, half: float) -> float:
        """Probability of an error beyond +-half."""
        if len(self.bounded) == 1 and self.bounded[0][0] == "rectangular" and not any(u for u, _ in self.bell):
            return max(0.0, 1.0 - half / (REACH["rectangular"] * self.bounded[0][1]))
        return self._outside()(half)

    def _bell_reach(self, tail: float) -> float:
        return math.hypot(*(u * student_quantile(1.0 - tail, dof) for u, dof in self.bell if u))

    def _outside(self) -> Callable[[float], float]:
        """Probability of an error beyond +-half, for many values of it."""
        centres, masses, cell = _convolved(self.bounded)
        if math.hypot(*(u for u, _ in self.bell)) <= 0.02 * cell:
            return lambda half: 1.0 - float(_covered(centres, cell, half) @ masses)
        beyond = _beyond_bell(self.bell)
        return lambda half: 2.0 * float(beyond(half - centres) @ masses)  # symmetric


def _covered(centres: NDArray[np.float64], cell: float, half: float) -> NDArray[np.float64]:
    """Share of each cell that lies within +-half."""
    import numpy as np

    within = np.minimum(centres + cell / 2.0, half) - np.maximum(centres - cell / 2.0, -half)
    return np.asarray(np.clip(within / cell, 0.0, 1.0), dtype=np.float64)


@lru_cache(maxsize=256)
def _convolved(bounded: tuple[tuple[Shape, float], ...]) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Centres of cells, the probability of each, and their width; one cell of no width where nothing is bounded."""
    import numpy as np

    cell = 2.0 * sum(REACH[shape] * u for shape, u in bounded) / CELLS
    masses: NDArray[np.float64] = np.ones(1)
    for shape, u in bounded:
        masses = np.asarray(np.convolve(masses, _cell_masses(shape, REACH[shape] * u, cell)), dtype=np.float64)
    centres = np.asarray((np.arange(len(masses)) - (len(masses) - 1) / 2.0) * cell, dtype=np.float64)
    return centres, masses, cell


def _beyond_bell(bell: tuple[tuple[float, float], ...]) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Probability that a bell goes beyond a distance on one side: a normal's, or read from a table of its tails."""
    import numpy as np
    from scipy.special import ndtr

    scale = math.hypot(*(u for u, _ in bell))
    if all(math.isinf(dof) for _, dof in bell):
        return lambda x: np.asarray(ndtr(x / -scale), dtype=np.float64)
    squares = sum((u / scale * _quantiles(dof)) ** 2 for u, dof in bell)
    places = np.arcsinh(np.sqrt(squares))  # even steps, near the middle and far out
    logarithms = _log_tails()

    def beyond(x: NDArray[np.float64]) -> NDArray[np.float64]:
        tail = np.exp(np.interp(np.arcsinh(np.abs(x) / scale), places, logarithms))
        return np.where(x < 0.0, 1.0 - tail, tail)

    return beyond


def _log_tails() -> NDArray[np.float64]:
    """Logarithms of the probabilities of a table of tails, falling."""
    import numpy as np

    return np.linspace(math.log(0.5), math.log(LEAST_TAIL), TABLE)


@lru_cache(maxsize=256)
def _quantiles(dof: float) -> NDArray[np.float64]:
    """What Student's t goes beyond on one side with each probability of a table of tails."""
    import numpy as np
    from scipy.special import ndtri, stdtrit

    tails = np.exp(_log_tails())
    return np.asarray(-ndtri(tails) if math.isinf(dof) else -stdtrit(dof, tails), dtype=np.float64)


def _cell_masses(shape: Shape, reach: float, cell: float) -> NDArray[np.float64]:
    """Probability of each cell of a bounded shape, symmetric, an odd number of cells."""
    import numpy as np

    side = math.ceil(reach / cell - 0.5)
    edges = np.clip((np.arange(-side, side + 2) - 0.5) * cell / reach, -1.0, 1.0)
    below: NDArray[np.float64]
    if shape == "rectangular":
        below = np.asarray((1.0 + edges) / 2.0, dtype=np.float64)
    elif shape == "triangular":
        below = np.asarray(0.5 + edges * (1.0 - np.abs(edges) / 2.0), dtype=np.float64)
    else:
        below = np.asarray(0.5 + np.arcsin(edges) / np.pi, dtype=np.float64)
    return np.asarray(np.diff(below), dtype=np.float64)
