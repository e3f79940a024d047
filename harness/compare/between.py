"""Scatter between runs and within them: one-way analysis of variance, as JCGM 100:2008 H.5 uses it.

A group is one mounting of the bench (a day, an arm put on anew), its members the runs made without touching it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.base.errors import MeasurementError


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWay:
    """Sums of squares of grouped values; `means` and `sizes` are those of the groups, in their order.

    Values of one group each say nothing about the scatter within: `dof_within` is then 0 and `within_s` 0.
    """

    means: tuple[float, ...]
    sizes: tuple[int, ...]
    ss_between: float
    """Squares of the group means about the mean of all values, each counted with its group's size."""
    ss_within: float
    s_of_means: float
    """Standard deviation of the group means about their own mean."""

    @property
    def groups(self) -> int:
        """How many groups."""
        return len(self.sizes)

    @property
    def mean(self) -> float:
        """Mean of the group means: a mounting counts once, however often it was measured."""
        return math.fsum(self.means) / self.groups

    @property
    def dof_between(self) -> int:
        """Degrees of freedom between groups."""
        return self.groups - 1

    @property
    def dof_within(self) -> int:
        """Degrees of freedom within groups."""
        return sum(self.sizes) - self.groups

    @property
    def size(self) -> float:
        """Harmonic mean of the group sizes: a mean of so many values scatters as the group means do on average."""
        return self.groups / math.fsum(1.0 / size for size in self.sizes)

    @property
    def within_s(self) -> float:
        """Standard deviation within a group, pooled; 0 where no group has two values."""
        return math.sqrt(self.ss_within / self.dof_within) if self.dof_within else 0.0

    @property
    def f(self) -> float:
        """Mean square between groups over mean square within. Raises MeasurementError where nothing scatters within."""
        if not self.ss_within:
            raise MeasurementError("no scatter within groups: expected groups of two values or more that differ")
        return self.ss_between / self.dof_between / (self.ss_within / self.dof_within)

    @property
    def p(self) -> float:
        """Chance of so large an `f` where the groups do not differ. Raises MeasurementError as `f` does."""
        return f_tail(self.f, self.dof_between, self.dof_within)


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """The analysis of values by group. Raises MeasurementError for fewer than two groups or an empty one.

    >>> days = one_way([[5.01, 5.03], [5.11, 5.13], [4.99, 5.01]])
    >>> round(days.within_s, 4), round(days.s_of_means, 4), round(days.p, 3)
    (0.0141, 0.0643, 0.007)
    """
    _check([len(group) for group in groups])
    # Relative to one of the values: means of numbers with many leading digits in common lose what tells them apart.
    origin = groups[0][0]
    moved = [[value - origin for value in group] for group in groups]
    means = [math.fsum(group) / len(group) for group in moved]
    within = math.fsum((value - mean) ** 2 for group, mean in zip(moved, means, strict=True) for value in group)
    return _from(origin, means, [len(group) for group in moved], within)


def u_of_mean(s_of_means: float, groups: int) -> float:
    """Standard uncertainty of a mean of group means, with the scatter between `groups` in it (JCGM 100, H.5.2.5).

    `s_of_means`: standard deviation of the group means.

    >>> u_of_mean(0.6, 4)
    0.3
    """
    return s_of_means / math.sqrt(groups)


def between_s(s_of_means: float, u_within: float) -> float:
    """Standard deviation between groups beyond what the scatter within them explains (H.5.2.6); at least 0.

    `s_of_means`: standard deviation of the group means; `u_within`: what the scatter within gives one of them.

    >>> between_s(0.5, 0.3), between_s(0.3, 0.5)
    (0.4, 0.0)
    """
    return math.sqrt(max(s_of_means**2 - u_within**2, 0.0))


def f_tail(ratio: float, dof_above: float, dof_below: float) -> float:
    """Chance that a ratio of two independent estimates of one variance is above `ratio` (Fisher's F).

    `dof_above`, `dof_below`: degrees of freedom of what stands above and below.

    >>> round(f_tail(2.124, 9, 40), 3)
    0.05
    """
    from scipy.special import fdtrc

    return float(fdtrc(dof_above, dof_below, ratio))


def _check(sizes: Sequence[int]) -> None:
    if len(sizes) < 2 or min(sizes) < 1:
        raise MeasurementError(f"scatter between groups needs 2 groups with a value each, found sizes {list(sizes)}")


def _from(origin: float, means: Sequence[float], sizes: Sequence[int], ss_within: float) -> OneWay:
    """`means` are relative to `origin`."""
    overall = math.fsum(size * mean for size, mean in zip(sizes, means, strict=True)) / sum(sizes)
    centre = math.fsum(means) / len(means)
    return OneWay(
        means=tuple(origin + mean for mean in means),
        sizes=tuple(sizes),
        ss_between=math.fsum(size * (mean - overall) ** 2 for size, mean in zip(sizes, means, strict=True)),
        ss_within=ss_within,
        s_of_means=math.sqrt(math.fsum((mean - centre) ** 2 for mean in means) / (len(means) - 1)),
    )
