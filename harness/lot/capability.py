"""How capable a process is of making boards that meet a requirement, from a sample of boards: Cp, Cpk, their limits.

    Cpu = (USL - mean) / (3 s),   Cpl = (mean - LSL) / (3 s),   Cpk the smaller one,   Cp = (USL - LSL) / (6 s)

D. C. Montgomery, Introduction to Statistical Quality Control, chapter on process capability; ISO 22514-2 (both from
memory). s is the standard deviation of the boards' means about their own mean; 1.33 is what trades often ask for
(common practice, no source); nothing here judges the number.

Confidence. 3 sqrt(n) Cpu of a sample of n normal values follows a noncentral t with n - 1 degrees of freedom and
noncentrality 3 sqrt(n) Cpu, so that a lower limit of a one-sided index is exact: it is the same statement as a
one-sided tolerance limit, whose factor k is 3 Cpu (D. B. Owen, 1968, from memory). Cpk of two limits gets the smaller
of the two lower limits: it is too high at most as often as that of the side where Cpk truly lies, so at least the
stated confidence holds (intersection-union, as in harness.compare.difference). Cp by the chi-square distribution of s.
All of it takes the boards to be a random sample of a normal distribution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.base.errors import MeasurementError

LEAST_BOARDS = 10
"""Fewer give no figure: with 7 a Cpk found at 1.33 is only known to be above 0.66 (95 %), with 10 above 0.78."""
CONFIDENCE = 0.95
DOUBTFUL_P = 0.05
"""Chance of so crooked a sample of a normal distribution below which normality is called doubtful (convention)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationLimits:
    """A requirement: at least one of the two is set."""

    low: float | None = None
    high: float | None = None

    def nearer(self, value: float) -> float:
        """Distance of a value from the nearer limit, positive inside."""
        low = math.inf if self.low is None else value - self.low
        high = math.inf if self.high is None else self.high - value
        return min(low, high)

    def drawn_in(self, by: float) -> SpecificationLimits:
        """Both limits moved inwards."""
        return SpecificationLimits(
            low=None if self.low is None else self.low + by, high=None if self.high is None else self.high - by
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """Indices of one quantity of a lot. `cp` is None where the requirement has one limit."""

    boards: int
    mean: float
    s: float
    cpk: float
    cpk_least: float
    """Cpk is above it with 95 % confidence."""
    cpk_bench: float
    """The same, wherever within its uncertainty the bench has shifted all boards: at least 95 % for both together."""
    cp: float | None = None
    cp_least: float | None = None
    normal_p: float | None = None
    """Chance that so crooked a sample comes of a normal distribution (Shapiro and Wilk, 1965)."""

    @property
    def doubtful(self) -> bool:
        """Whether the boards do not look like a sample of a normal distribution, on which all figures rest."""
        return self.normal_p is not None and self.normal_p < DOUBTFUL_P


class NoCapability(MeasurementError):
    """There is nothing to tell a capability from: what is the matter in a few words, and why that is one."""

    def __init__(self, short: str, why: str = "") -> None:
        super().__init__(f"{short}: {why}" if why else short)
        self.short = short


def capability_of(values: Sequence[float], limits: SpecificationLimits, shift: float = 0.0) -> Capability:
    """Capability of the process that the boards with these values (n) are a sample of, against the limits.

    `shift`: half-width of the 95 % interval of what all values are off by together, a bench's own error. Raises
    NoCapability for fewer than LEAST_BOARDS values, and where they do not scatter at all.

    >>> rises = [50.1, 48.9, 51.0, 50.4, 49.2, 49.9, 50.6, 49.5, 50.0, 50.3]
    >>> found = capability_of(rises, SpecificationLimits(high=54.0))
    >>> round(found.cpk, 2), round(found.cpk_least, 2)
    (2.08, 1.24)
    """
    count = len(values)
    if count < LEAST_BOARDS:
        raise NoCapability(f"too few boards ({count} of {LEAST_BOARDS})")
    mean = math.fsum(values) / count
    s = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (count - 1))
    if s <= 1e-12 * max(abs(mean), *(abs(value) for value in values)):
        raise NoCapability("the boards do not scatter at all", "nothing to set the distance from the limit against")
    two_sided = limits.low is not None and limits.high is not None
    cp = (limits.high - limits.low) / (6.0 * s) if limits.low is not None and limits.high is not None else None
    # Half of the risk for the sample of boards, half for the shift: both hold together with 95 % (Bonferroni).
    beside = 1.0 - (1.0 - CONFIDENCE) / 2.0
    return Capability(
        boards=count,
        mean=mean,
        s=s,
        cp=cp,
        cp_least=None if cp is None or not two_sided else least_cp(cp, count),
        cpk=limits.nearer(mean) / (3.0 * s),
        cpk_least=least_index(limits.nearer(mean) / (3.0 * s), count),
        cpk_bench=least_index(limits.drawn_in(shift).nearer(mean) / (3.0 * s), count, beside),
        normal_p=normality(values),
    )


def least_index(index_found: float, count: int, confidence: float = CONFIDENCE) -> float:
    """Lower confidence limit of a one-sided index found with `count` boards, exact for normal values.

    The index whose noncentral t has `confidence` below what was found. For the nearer of two limits as well: the
    limit rises with the index, so that the smaller index has the smaller limit.

    >>> round(least_index(1.33, 10), 2), round(least_index(1.33, 100), 2)
    (0.78, 1.16)
    """
    from scipy.optimize import brentq
    from scipy.special import nctdtr

    root = 3.0 * math.sqrt(count)

    def surplus(index: float) -> float:
        below = float(nctdtr(count - 1, root * index, root * index_found))
        if math.isnan(below):  # far out in a tail, where it does not converge
            below = 1.0 if index < index_found else 0.0
        return below - confidence

    reach = 1.0 + abs(index_found)
    low, high = index_found - reach, index_found + reach
    while surplus(low) < 0.0:
        low -= reach
    while surplus(high) > 0.0:
        high += reach
    return float(brentq(surplus, low, high, xtol=1e-10))


def least_cp(cp: float, count: int, confidence: float = CONFIDENCE) -> float:
    """Lower limit of Cp found with `count` boards: times the root of the chi-square quantile over degrees of freedom.

    `confidence` is how often the true Cp is above it.

    >>> round(least_cp(1.33, 10), 2)
    0.81
    """
    from scipy.special import chdtri

    return float(cp * math.sqrt(chdtri(count - 1, confidence) / (count - 1)))


def normality(values: Sequence[float]) -> float:
    """Chance of so crooked a sample of values (n) of a normal distribution.

    S. S. Shapiro, M. B. Wilk, Biometrika 52 (1965) 591.

    >>> normality([1.0, 1.1, 1.0, 0.9, 1.05, 9.0, 0.95, 1.0, 1.02, 0.98]) < 1e-3
    True
    """
    from scipy.stats import shapiro

    # Relative to one of them: the test loses digits that all values have in common.
    return float(shapiro([value - values[0] for value in values]).pvalue)
