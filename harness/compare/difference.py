"""A record, or repeats of it, against a baseline: quantity by quantity, with what both took from one thing cancelled.

    equivalent          |d| + T u < M         the two one-sided tests: a difference of the margin M is ruled out
    different           |d| > K u             not that, and no scatter of an unchanged board reaches so far
    no difference seen  neither               one may be there: that none was seen is no proof that there is none
    undecided           it cannot be compared, for a reason that is given

d is measured less baseline, u its uncertainty. K is for a risk of 1 - (1 - R)^(1/N) on either side together, R the
risk that an unchanged board is called different in any of its N quantities, N fixed before comparing (Z. Sidak,
J. Amer. Statist. Assoc. 62 (1967) 626; as harness.judge.verdict shares its risk). One step, not Holm's descent: a limit
that moved with what other quantities say could not be printed beside a value. T is one-sided at the equivalence risk
E for each quantity and is not shared: that a whole board is equivalent is said only if all its quantities are, and
that is wrong at most as often as the one of them that is not (intersection-union, R. L. Berger, Technometrics 24
(1982) 295). A difference that is seen and is inside the margin for certain is equivalent, and said to be there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from harness.base.errors import UsageError
from harness.checks.catalogue import counted_in_words
from harness.compare.baseline import SCATTER, Baseline, BaselineLevel, mean_of
from harness.compare.between import f_tail, u_of_mean
from harness.compare.comparable import ComparableValue, comparable_values, refuse_mixed, turned_near
from harness.nouns.coverage import half_width, safe_factor, shared_risk
from harness.nouns.names import Name
from harness.nouns.quantity import Contribution, Quantity, combine
from harness.nouns.results import Detect
from harness.nouns.standing import Standing
from harness.record import Record

WITHIN = "scatter within a mounting"
READINGS = "its readings scatter more than the baseline's"
LEAST_REPEATS_P = 0.001
"""Chance of so large a scatter of repeats below which they are not averaged. Arbitrary; costs a decision, no error."""


class Finding(StrEnum):
    """The words of a comparison with a baseline."""

    EQUIVALENT = "equivalent"
    DIFFERENT = "different"
    NOT_SEEN = "no difference seen"
    UNDECIDED = "undecided"

    @property
    def standing(self) -> Standing:
        """What it says for the board."""
        return _STANDINGS[self]


_STANDINGS = {
    Finding.EQUIVALENT: Standing.GOOD,
    Finding.DIFFERENT: Standing.BAD,
    Finding.NOT_SEEN: Standing.UNJUDGED,
    Finding.UNDECIDED: Standing.OPEN,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What was fixed before comparing. Keys of `margins` are `check.quantity`, or `motor.check.quantity`."""

    planned: int
    """How many quantities share the risk."""
    margins: Mapping[str, Detect] = field(default_factory=dict)
    difference_risk: float = 0.01
    """R: that an unchanged board is called different in any of them."""
    equivalence_risk: float = 0.05
    """E: that a quantity off by its margin is called equivalent."""

    def __post_init__(self) -> None:
        if self.planned < 1:
            raise UsageError(f"a comparison needs at least 1 quantity, found {self.planned}")
        for risk in (self.difference_risk, self.equivalence_risk):
            if not 0.0 < risk < 0.5:
                raise UsageError(f"a risk of a comparison lies between 0 and 0.5, found {risk}")

    @property
    def risk_each(self) -> float:
        """One quantity's share of `difference_risk`."""
        return shared_risk(self.difference_risk, self.planned)

    def margin(self, level: BaselineLevel) -> float | None:
        """The margin of a quantity in its unit, the entry for its motor first; None where none is stated."""
        entry = Name(level.name).entry_in(self.margins)
        return None if entry is None else entry.deviation(level.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """The finding on one quantity, with what it was taken from."""

    name: str
    finding: Finding
    unit: str = ""
    level: BaselineLevel | None = None
    measured: float | None = None
    """Referred to 20 degC and nominal supply, mean of the repeats."""
    gap: Quantity | None = None
    """Measured less baseline; what both took from one thing is gone from its budget."""
    allowed: float | None = None
    """K u: what is beyond is different."""
    bounds: tuple[float, float] | None = None
    """Outside of these the difference is not, at the equivalence risk on either side."""
    margin: float | None = None
    reason: str = ""

    @property
    def standing(self) -> Standing:
        """As its finding's, but that a margin asks for more than that no difference is seen."""
        if self.finding is Finding.NOT_SEEN and self.margin is not None:
            return Standing.OPEN
        return self.finding.standing


def compare(
    against: Baseline, records: Sequence[Record], terms: Terms, mountings: Sequence[str] | None = None
) -> list[Difference]:
    """Findings on every quantity of the baseline, from one record or repeats of it.

    Quantities that only the records have are not compared. `mountings`: one label a repeat; without them all were
    made in one mounting. Raises UsageError for records that cannot be compared with this baseline.
    """
    if not records:
        raise UsageError("expected a record to compare with the baseline, found none")
    labels = list(mountings) if mountings is not None else ["one"] * len(records)
    if len(labels) != len(records):
        raise UsageError(f"expected a mounting for each of {len(records)} records, found {len(labels)}")
    refuse_mixed([*against.records, *records])
    runs = [comparable_values(record, against.nominal_v) for record in records]
    return [
        difference_from(level, [run.get(name, "the record does not have it") for run in runs], labels, terms)
        for name, level in against.levels.items()
    ]


def seen_beyond(mountings: int, terms: Terms) -> float:
    """What a single run must be off by to be called different, in standard deviations of one in a mounting of its own.

    Where nothing else is uncertain: Student's quantile for the scatter of so many mountings, and that of their mean, at
    the risk of one quantity in `terms`. Infinite for fewer than 2.

    >>> [round(seen_beyond(mountings, Terms(planned=1)), 1) for mountings in (5, 10, 30)]
    [5.0, 3.4, 2.8]
    """
    from scipy.special import stdtrit

    if mountings < 2:
        return math.inf
    return float(-stdtrit(mountings - 1, terms.risk_each / 2.0)) * math.sqrt(1.0 + 1.0 / mountings)


def difference_from(
    level: BaselineLevel, runs: Sequence[ComparableValue | str], mountings: Sequence[str], terms: Terms
) -> Difference:
    """The finding on one quantity; a run without a value is a text that says why."""
    open_ = Difference(name=level.name, finding=Finding.UNDECIDED, unit=level.lasting.unit, level=level)
    missing = next((run for run in runs if isinstance(run, str)), None)
    if missing is not None:
        return replace(open_, reason=f"not measured: {missing or 'no reason stands in the record'}")
    if level.why_not:
        return replace(open_, reason=level.why_not)
    values = [turned_near(level.name, run, level.value) for run in runs if isinstance(run, ComparableValue)]
    units = {value.lasting.unit or "1" for value in values} | {level.lasting.unit or "1"}
    if len(units) > 1:
        raise UsageError(f"{level.name}: baseline and record give it in {' and '.join(sorted(units))}: one is wrong")
    if level.exact != all(value.exact for value in values):
        return replace(open_, reason="counted in one of record and baseline, measured in the other")
    if level.exact:
        return _counted(open_, level, values)
    wild = _wild(level, values)
    if wild:
        return replace(open_, reason=wild)
    gap = _gap(level, values, mountings)
    return _found(replace(open_, measured=gap.value + level.value, gap=gap), gap, terms.margin(level), terms)


def _counted(open_: Difference, level: BaselineLevel, values: Sequence[ComparableValue]) -> Difference:
    """Counts, senses and patterns: the same or not."""
    others = sorted({value.value for value in values} - {level.value})
    if not others:
        return replace(open_, finding=Finding.EQUIVALENT, measured=level.value)
    found, before = (counted_in_words(level.name, each) for each in (others[0], level.value))
    reason = f"{found} where the baseline has {before}"
    return replace(open_, finding=Finding.DIFFERENT, measured=others[0], reason=reason)


def _wild(level: BaselineLevel, values: Sequence[ComparableValue]) -> str:
    """Why repeats cannot be averaged: they scatter as no runs of the baseline do; "" if they can."""
    if len(values) < 2:
        return ""
    mean = math.fsum(value.value for value in values) / len(values)
    variance = math.fsum((value.value - mean) ** 2 for value in values) / (len(values) - 1)
    usual = level.scatter**2 + (level.within**2 * (1.0 - 1.0 / level.size) if level.within else 0.0)
    if not variance or (usual and f_tail(variance / usual, len(values) - 1, level.scatter_dof) > LEAST_REPEATS_P):
        return ""
    times = f"{math.sqrt(variance / usual):.2g} times as much as" if usual else "where not one of"
    return f"its repeats scatter, {times} the baseline's runs: look for what is loose, and repeat"


def _gap(level: BaselineLevel, values: Sequence[ComparableValue], mountings: Sequence[str]) -> Quantity:
    """Measured less baseline with its budget."""
    groups: dict[str, list[ComparableValue]] = {}
    for value, label in zip(values, mountings, strict=True):
        groups.setdefault(label, []).append(value)
    fixed = combine(((1.0, mean_of(list(groups.values()))), (-1.0, level.lasting)), level.lasting.unit)
    budget = {source: part for source, part in fixed.budget.items() if part.u}
    count, dof = len(groups), level.scatter_dof
    budget[f"{SCATTER}#1"] = Contribution(
        u=u_of_mean(level.scatter, level.mountings), dof=dof, remedy="more records in the baseline"
    )
    budget[f"{SCATTER}#2"] = Contribution(
        u=u_of_mean(level.scatter, count), dof=dof, remedy="repeats over separate mountings"
    )
    # A baseline's mounting is the mean of `size` runs; where fewer were made now, they scatter more.
    smallest = min(len(group) for group in groups.values())
    fewer = max(1.0 / smallest - 1.0 / level.size, 0.0)
    if fewer and level.within:
        u = level.within * math.sqrt(fewer / count)
        budget[WITHIN] = Contribution(u=u, dof=level.within_dof, remedy="as many repeats as the baseline has")
    own = max(values, key=lambda value: value.own_u)
    if own.own_u > level.own_u:
        u = math.sqrt((own.own_u**2 - level.own_u**2) / len(values))
        budget[READINGS] = Contribution(u=u, dof=own.own_dof, remedy="more repeats")
    return replace(fixed, budget={source: part for source, part in budget.items() if part.u})


def _found(open_: Difference, gap: Quantity, margin: float | None, terms: Terms) -> Difference:
    off = gap.value
    allowed = safe_factor(gap, terms.risk_each / 2.0) * gap.u
    reach = _reach(gap, terms.equivalence_risk)
    seen = abs(off) > allowed
    word, reason = Finding.NOT_SEEN, ""
    size = f"{off:+.2g}{_unit(gap)}{_percent(off, open_)}"
    if margin is not None and abs(off) + reach < margin:
        word = Finding.EQUIVALENT
        reason = f"a difference of {size} is seen, and lies inside the margin" if seen else ""
    elif seen:
        word = Finding.DIFFERENT
        reason = f"{size} off, {allowed:.2g} allowed"
        if margin is not None:
            reason += ", beyond the margin" if abs(off) - reach > margin else ", not shown to be inside the margin"
    elif margin is None:
        reason = "needs a margin to be called equivalent"
    else:
        reason = f"up to {abs(off) + reach:.2g}{_unit(gap)} may be there, margin {margin:.2g}; {_largest(gap)}"
        if abs(off) > reach:  # a reader sees it in the table: say why it does not count
            reason = f"{size} off, which an unchanged board may be up to {allowed:.2g} with so few mountings; {reason}"
    return replace(
        open_, finding=word, allowed=allowed, bounds=(off - reach, off + reach), margin=margin, reason=reason
    )


def _reach(gap: Quantity, risk: float) -> float:
    """T u: what the true difference exceeds the found one by with `risk`, at most.

    Bounded errors have no far tail, but at 5 % the sum of two reaches 2 % farther than a normal one (triangular): where
    they are most of the budget the wider of both counts.
    """
    reach = safe_factor(gap, risk) * gap.u
    bounded = math.fsum(part.u**2 for part in gap.budget.values() if part.shape != "normal")
    return max(reach, half_width(gap, 1.0 - 2.0 * risk)) if bounded > 0.5 * gap.u**2 else reach


def _largest(gap: Quantity) -> str:
    part = gap.largest()
    return f"largest: {part}" if part else "nothing uncertain"


def _unit(quantity: Quantity) -> str:
    return "" if quantity.unit in {"", "1"} else f" {quantity.unit}"


def _percent(off: float, of: Difference) -> str:
    return f" ({100.0 * off / abs(of.level.value):+.1f} %)" if of.level is not None and of.level.value else ""
