"""A number with its unit, its standard uncertainty, and where that uncertainty comes from.

Contributions are keyed by the name of their source. Two quantities that share a source (the same meter, the same
resistance from the rig file) are correlated through it, and a difference of them cancels what they share: no
correlation matrix is kept, the names are it.

A source name may end in `#1`, `#2`, ...: independent parts of one evaluation (the parameters of one fit, means of
readings taken together), which share its degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from harness.base.errors import MeasurementError

Shape = Literal["normal", "rectangular", "triangular", "arcsine"]
NEAR = 1e-3
"""Step of a derivative over the input's u. Arbitrary: it leaves a millionth of the bend, and rounding is far below."""
FLOAT = 2.0**-26
"""The least step of a derivative over the input's value: half the digits of a float."""
SLOPE_ROUNDING = 1e-6
"""Share of itself to which a derivative is known at worst, by its step and by a float's digits."""
JAGGED = 0.5
"""Where a function goes less than this share of the way that its derivatives promise, or the other way, they belong to
a jump, a kink or noise: secants over +-u take their place. Arbitrary."""
BENT = 0.1
"""Share of u from which on what bends is a contribution: it adds half a per cent to u. Arbitrary."""
BEND = "bend over"
"""What the name of such a contribution begins with, before the source that it bends over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source's share of a standard uncertainty, in the unit of the quantity.

    `u` is signed (sensitivity times the source's standard uncertainty), so that shared sources cancel or add with their
    sign. `dof` are the degrees of freedom (type A) or infinity (type B).
    """

    u: float
    shape: Shape = "normal"
    dof: float = math.inf
    remedy: str = ""
    """What would shrink it, in a few words for the report (`a better arm`, `more points`)."""

    @property
    def type_a(self) -> bool:
        """Whether it comes from repeated observations, so that more of them shrink it."""
        return math.isfinite(self.dof)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Quantity:
    """A value with its budget. `unit` is an SI unit as text (`N m/rad`, `1` for a ratio).

    `name` is that of a planned quantity (`motor.check.quantity`), where this is all of it and no part or input.

    Raises MeasurementError if the value or an uncertainty is not a finite number: status travels
    with the number, never a silent NaN.
    """

    value: float
    unit: str
    budget: Mapping[str, Contribution] = field(default_factory=dict)
    name: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise MeasurementError(f"a value in {self.unit or '1'} is {self.value}: expected a finite number")
        for source, part in self.budget.items():
            if not math.isfinite(part.u) or not part.dof > 0:
                wanted = "a finite uncertainty with degrees of freedom above 0"
                raise MeasurementError(f"{source}: expected {wanted}, found {part}")

    def __str__(self) -> str:
        return f"{self.value:.5g} {self.unit} (u = {self.u:.2g})"

    def __repr__(self) -> str:
        """Short: a failing test shows it; the budget is an attribute."""
        return f"<{self.name}{': ' if self.name else ''}{self}>"

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.sqrt(math.fsum(part.u**2 for part in self.budget.values()))

    @property
    def u_type_a(self) -> float:
        """The part of `u` that comes from repeated observations."""
        return math.sqrt(math.fsum(part.u**2 for part in self.budget.values() if part.type_a))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, Welch-Satterthwaite (JCGM 100:2008, G.4.1); infinity if exact."""
        return effective_dof(self.budget)

    @property
    def exact(self) -> bool:
        """True for a count, a sense, a pattern: something that carries no uncertainty."""
        return self.u == 0.0

    def shares(self) -> list[tuple[str, float]]:
        """(source, share of the variance), largest first; parts of one evaluation are added up."""
        variances: dict[str, float] = {}
        for source, part in self.budget.items():
            variances[evaluation(source)] = variances.get(evaluation(source), 0.0) + part.u**2
        total = math.fsum(variances.values())
        ordered = sorted(variances.items(), key=lambda item: (-item[1], item[0]))
        return [(source, variance / total) for source, variance in ordered if total > 0.0]

    def remedy(self, source: str) -> str:
        """What would shrink the contribution of `source`, or an empty text."""
        return next((part.remedy for name, part in self.budget.items() if evaluation(name) == source), "")

    def largest(self) -> str:
        """The largest contribution in words, with what would shrink it; empty where nothing is uncertain."""
        for source, share in self.shares()[:1]:
            remedy = self.remedy(source)
            return f"{source} ({share:.0%} of the variance){': ' + remedy if remedy else ''}"
        return ""


def evaluation(source: str) -> str:
    """The evaluation that a source name belongs to: the name without its `#n`.

    >>> evaluation("loop fit#2")
    'loop fit'
    """
    return source.partition("#")[0]


def effective_dof(budget: Mapping[str, Contribution]) -> float:
    """Welch-Satterthwaite over the evaluations of a budget (JCGM 100:2008, formula G.2b); infinity if all are known.

    Parts of one evaluation count as one term, because they were estimated from the same residuals (R. Willink,
    Metrologia 44, 2007, 340: for simultaneous readings the formula otherwise counts their dof several times).

    >>> round(effective_dof({"repeats": Contribution(u=3.0, dof=4), "meter": Contribution(u=4.0)}), 1)
    30.9
    """
    variances = evaluations(budget)
    total = math.fsum(variances.values())
    # Ratios, not fourth powers: u^4 of a small number leaves the range of a float.
    weighted = math.fsum((v / total) ** 2 / dof for (_, dof), v in variances.items() if total > 0.0)
    return math.inf if weighted == 0.0 else 1.0 / weighted


def evaluations(budget: Mapping[str, Contribution]) -> dict[tuple[str, float], float]:
    """Variance of each evaluation in a budget, by (name, degrees of freedom).

    >>> evaluations({"fit#1": Contribution(u=3.0, dof=8), "fit#2": Contribution(u=4.0, dof=8)})
    {('fit', 8): 25.0}
    """
    variances: dict[tuple[str, float], float] = {}
    for source, part in budget.items():
        key = (evaluation(source), part.dof)
        variances[key] = variances.get(key, 0.0) + part.u**2
    return variances


def rectangular(value: float, half_width: float, unit: str, source: str, remedy: str = "") -> Quantity:
    """A type B input known to lie within value +- half_width (JCGM 100:2008, 4.3.7); exact where that is 0.

    >>> print(rectangular(12.0, 0.06, "V", "supply.voltage_v"))
    12 V (u = 0.035)
    """
    part = Contribution(u=half_width / math.sqrt(3.0), shape="rectangular", remedy=remedy)
    return Quantity(value=value, unit=unit, budget={source: part} if half_width else {})


def normal(value: float, u: float, unit: str, source: str, dof: float = math.inf, remedy: str = "") -> Quantity:
    """A value with a standard uncertainty, from readings (finite dof) or a certificate; exact where `u` is 0.

    >>> normal(0.099, 0.002, "N m/A", "certificate 17").budget["certificate 17"].type_a
    False
    """
    return Quantity(value=value, unit=unit, budget={source: Contribution(u=u, dof=dof, remedy=remedy)} if u else {})


def exact(value: float, unit: str) -> Quantity:
    """A defined number or a count, a value without uncertainty.

    >>> print(exact(11.0, "1"))
    11 1 (u = 0)
    """
    return Quantity(value=value, unit=unit)


def mean_and_deviation(readings: Sequence[float]) -> tuple[float, float]:
    """Mean and standard deviation (n - 1) of readings (n), in two exact-sum passes, the second corrected for rounding.

    Corrected two-pass algorithm: T. F. Chan, G. H. Golub, R. J. LeVeque, The American Statistician 37
    (1983) 242. Raises MeasurementError for fewer than two readings.

    >>> mean_and_deviation([10000001.0, 10000003.0, 10000002.0])
    (10000002.0, 1.0)
    """
    count = len(readings)
    if count < 2:
        raise MeasurementError(f"a standard deviation needs at least 2 readings, found {count}")
    mean = math.fsum(readings) / count
    deviations = [reading - mean for reading in readings]
    squares = math.fsum(d * d for d in deviations) - math.fsum(deviations) ** 2 / count
    return mean, math.sqrt(max(squares, 0.0) / (count - 1))


def repeats(readings: Iterable[float], unit: str, source: str, remedy: str = "more repeats") -> Quantity:
    """Mean of independent repeated readings (n), type A with n - 1 degrees of freedom (JCGM 100:2008, 4.2).

    Raises MeasurementError for fewer than two readings.

    >>> five = repeats([5.007, 4.994, 5.005, 4.990, 4.999], "V", "five readings")
    >>> print(five, five.dof)
    4.999 V (u = 0.0032) 4.0
    """
    values = [float(reading) for reading in readings]
    mean, deviation = mean_and_deviation(values)
    u = deviation / math.sqrt(len(values))
    return normal(mean, u, unit, source, dof=len(values) - 1, remedy=remedy)


def from_covariance(
    values: Sequence[float],
    covariance: Sequence[Sequence[float]],
    units: Sequence[str],
    source: str,
    dof: float = math.inf,
    remedy: str = "",
) -> list[Quantity]:
    """Jointly estimated values (one fit, simultaneous means) as quantities that share their sources.

    The covariance (n by n, units of the values) is split into independent parts `source#1` to `source#n` by its
    symmetric eigenvectors, which also works where it is singular. `dof` is of the evaluation that all come from.

    >>> offset, slope = from_covariance([1.0, 2.0], [[0.04, -0.02], [-0.02, 0.04]], ["V", "V"], "fit", dof=8)
    >>> total = combine(((1.0, offset), (1.0, slope)), "V")
    >>> print(offset, total)  # they are off in opposite ways
    1 V (u = 0.2) 3 V (u = 0.2)
    """
    import numpy as np

    matrix = np.asarray(covariance, dtype=np.float64)
    scale = np.sqrt(np.diag(matrix))
    safe = np.where(scale > 0.0, scale, 1.0)
    eigenvalues, vectors = np.linalg.eigh(matrix / np.outer(safe, safe))
    parts = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None)) * scale[:, None]
    quantities = []
    for value, unit, row in zip(values, units, parts, strict=True):
        budget = {
            f"{source}#{number}": Contribution(u=float(u), dof=dof, remedy=remedy)
            for number, u in enumerate(row, start=1)
            if u != 0.0
        }
        quantities.append(Quantity(value=float(value), unit=unit, budget=budget))
    return quantities


def combine(terms: Iterable[tuple[float, Quantity]], unit: str) -> Quantity:
    """Sum of terms, each a factor times a quantity; shared sources add or cancel by their signs (JCGM 100:2008, 5.2).

    `unit` is that of the sum: factors may have units of their own.

    >>> meter = rectangular(0.0, 0.01, "V", "meter's offset")
    >>> before, after = shifted(exact(5.0, "V"), meter=meter), shifted(exact(5.3, "V"), meter=meter)
    >>> print(combine(((1.0, after), (-1.0, before)), "V"), combine(((0.5, after), (0.5, before)), "V"))
    0.3 V (u = 0) 5.15 V (u = 0.0058)
    """
    value = 0.0
    budget: dict[str, Contribution] = {}
    for factor, quantity in terms:
        value += factor * quantity.value
        for source, part in quantity.budget.items():
            _add(budget, source, part, factor)
    return Quantity(value=value, unit=unit, budget=budget)


def difference(a: Quantity, b: Quantity) -> Quantity:
    """a - b in the unit of a. What both took from one source cancels.

    >>> reading = rectangular(5.0, 0.01, "V", "meter's offset")
    >>> difference(reading, reading).exact
    True
    """
    return combine(((1.0, a), (-1.0, b)), a.unit)


def scaled(quantity: Quantity, factor: float, unit: str) -> Quantity:
    """The quantity times an exact factor, in a new unit.

    >>> print(scaled(normal(0.06, 0.001, "N m", "peak torque"), 11, "N m/rad"))
    0.66 N m/rad (u = 0.011)
    """
    return combine(((factor, quantity),), unit)


def shifted(quantity: Quantity, **added: Quantity) -> Quantity:
    """The quantity with further error sources of value 0 (or a correction) added, each in its unit.

    >>> print(shifted(normal(6.0, 0.03, "ohm", "meter"), leads=normal(-0.1, 0.04, "ohm", "leads")))
    5.9 ohm (u = 0.05)
    """
    return combine(((1.0, quantity), *((1.0, part) for part in added.values())), quantity.unit)


def propagate(function: Callable[..., float], unit: str, **inputs: Quantity) -> Quantity:
    """Law of propagation, first order, by derivatives at the values of the inputs (JCGM 100:2008, 5.1.2).

    `function` takes the values by the keyword names of `inputs` and gives a value in `unit`. Shared sources keep their
    sign. What a straight line leaves out over the inputs' uncertainties is a contribution of its own where it counts:
    BEND and the source that moves the result most. Who finds it large takes harness.nouns.monte_carlo.

    >>> volts, amperes = normal(3.3, 0.01, "V", "voltmeter"), normal(0.55, 0.005, "A", "ammeter")
    >>> print(propagate(lambda v, i: v / i, "ohm", v=volts, i=amperes))
    6 ohm (u = 0.057)
    >>> wide = propagate(lambda x: math.log(x), "1", x=rectangular(0.6, 0.5, "1", "x"))
    >>> {source: round(part.u, 2) for source, part in wide.budget.items()}
    {'x': 0.48, 'bend over x': -0.4}
    """

    def at(steps: Mapping[str, float]) -> float:
        return float(function(**{name: each.value + steps.get(name, 0.0) for name, each in inputs.items()}))

    centre = at({})
    first, bends = _first_order(at, centre, unit, inputs, NEAR)
    high, low = _ends(at, first, inputs)
    way, promised = (high - low) / 2.0, JAGGED * first.u
    if way < promised:
        wide, summits = _first_order(at, centre, unit, inputs, 1.0)
        if wide.u < first.u or way < -promised:  # else first is what is left of parts that cancel
            first, bends = wide, summits
            high, low = _ends(at, first, inputs)
    budget = dict(first.budget)
    for moved, u in (*bends, (first, _second_order(centre, first.u, high, low))):
        if abs(u) > BENT * first.u:
            source = moved.shares()[0][0]
            part = next(part for name, part in moved.budget.items() if evaluation(name) == source)
            _add(budget, f"{BEND} {source}", replace(part, u=u, shape="normal"), 1.0)
    return Quantity(value=centre, unit=unit, budget=budget)


def _first_order(
    at: Callable[[Mapping[str, float]], float], centre: float, unit: str, inputs: Mapping[str, Quantity], share: float
) -> tuple[Quantity, list[tuple[Quantity, float]]]:
    """By slopes over `share` of each input's u, over all of it where a function is flat; and what summits leave out."""
    budget: dict[str, Contribution] = {}
    summits = []
    for name, quantity in inputs.items():
        u = quantity.u
        if u == 0.0:
            continue
        step = max(share * u, FLOAT * abs(quantity.value))
        slope = (at({name: step}) - at({name: -step})) / (2.0 * step)
        if slope == 0.0:
            high, low = at({name: u}), at({name: -u})
            slope = (high - low) / (2.0 * u)
            if slope == 0.0:
                summits.append((quantity, _second_order(centre, 0.0, high, low)))
        for source, part in quantity.budget.items():
            _add(budget, source, part, slope, SLOPE_ROUNDING)
    return Quantity(value=centre, unit=unit, budget=budget), summits


def _ends(
    at: Callable[[Mapping[str, float]], float], result: Quantity, inputs: Mapping[str, Quantity]
) -> tuple[float, float]:
    """The function one standard uncertainty of its result up and down, every input moved as it goes with the result."""
    steps = {
        name: math.fsum(
            part.u * result.budget[source].u for source, part in each.budget.items() if source in result.budget
        )
        / (result.u or 1.0)
        for name, each in inputs.items()
    }
    return at(steps), at({name: -step for name, step in steps.items()})


def _second_order(centre: float, u: float, high: float, low: float) -> float:
    """What a straight line leaves out of a function's standard uncertainty, with the sign of its curvature.

    Of a normal variable 2 even^2 + 6 u odd (JCGM 100:2008, 5.1.2 note), and the secant's own distance where it steps.
    """
    even, odd = (high + low) / 2.0 - centre, (high - low) / 2.0 - u
    return math.copysign(math.sqrt(max(2.0 * even**2 + (6.0 * u + odd) * odd, 0.0)), even)


def _add(
    budget: dict[str, Contribution], source: str, part: Contribution, factor: float, rounding: float = 1e-12
) -> None:
    """Add factor times `part` to what `source` already contributes; drop it if nothing is left."""
    before = budget[source].u if source in budget else 0.0
    added = before + factor * part.u
    # What cancels but for rounding is gone: a rest of 1e-17 would pass for an uncertainty.
    if added == 0.0 or abs(added) < rounding * (abs(before) + abs(factor * part.u)):
        budget.pop(source, None)
    else:
        budget[source] = Contribution(u=float(added), shape=part.shape, dof=part.dof, remedy=part.remedy)
