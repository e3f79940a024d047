"""The only comparison: measured against expected, measured against required.

A qualification is one decision over N numbers, N fixed before measuring. The false-alarm risk R of the
whole is shared out as 1 - (1 - R)^(1/N), so that a healthy board is refused once in 1/R times however
many quantities there are. Against a model:

    differs      |measured - expected| > L
    cannot tell  not that, but a deviation of the size that must not go unseen is seen less than 95 times in 100
    agrees       neither
    not judged   not the first, and nothing says what must not go unseen: an `agrees` might be worth nothing

L is what the error of the difference goes beyond, on either side, with the shared-out risk: what both took from one
source cancels, shapes are convolved, so that a tolerance ends where it says that it does, and few repeats are never
understated (see harness.nouns.coverage.safe_half_width). Where the true value is D off, the difference is D plus that
same error, all inputs being as they happen to be within their tolerances: D is seen 95 times in 100 if 95 in 100 of
these sums lie beyond L.

Against a requirement (JCGM 106:2012 clause 8, ISO 14253-1) there is a guard band on either side of a limit, one for
each risk. A quantity whose readings of one board scatter over more than the allowed share of the tolerance, as a study
of the bench has shown, does not conform: it is undecided, however well this one reading lies.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from harness.checks.catalogue import counted_in_words
from harness.nouns.coverage import caught_from, safe_half_width, safe_tail, shared_risk, student_quantile
from harness.nouns.names import CONDUCT, Name
from harness.nouns.quantity import Quantity, difference
from harness.nouns.results import (
    Detect,
    Expectation,
    Gauge,
    Measurement,
    Outcome,
    Requirement,
    Unmeasured,
    Verdict,
    VerdictKind,
    needed,
)

GAUGE_SHARE_MAX = 0.30
"""Share of the tolerance that a gauge may take (AIAG manual, from memory: acceptable up to 10 %, up to 30 % where it
is worth it); the rig file's `gauge_share_max` goes before it."""

NEAR_RISK = 1e-3
"""Share of itself by which a risk may be exceeded: so well are tails known that are convolved on a grid (arbitrary)."""

UNASKED = "needs an entry in [detect] of the rig file, which says nothing of it"
"""Reason for which a quantity that does not differ from its expectation is measured and not judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What was fixed before measuring: how many numbers, at which risks, and what must be seen.

    `planned` is the number of decisions (see `decisions`), `runs_sharing_risk` how many times each may be taken.
    The keys of `detect` and `requirements` are `check.quantity`, for every motor, or `motor.check.quantity`.
    """

    planned: int
    false_alarm_risk: float = 0.01
    false_acceptance_risk: float = 0.05
    runs_sharing_risk: int = 1
    detect: Mapping[str, Detect] = field(default_factory=dict)
    requirements: Mapping[str, Requirement] = field(default_factory=dict)
    gauge: Mapping[str, Gauge] = field(default_factory=dict)
    """What a study of the bench found, by full name; empty where there is none."""
    gauge_share_max: float = GAUGE_SHARE_MAX

    def __post_init__(self) -> None:
        if self.planned < 1 or self.runs_sharing_risk < 1:
            raise ValueError(
                f"a rule needs at least one decision and one run, found {self.planned}, {self.runs_sharing_risk}"
            )
        for risk in (self.false_alarm_risk, self.false_acceptance_risk):
            if not 0.0 < risk < 1.0:
                raise ValueError(f"a risk lies between 0 and 1, found {risk}")

    @property
    def risk_each(self) -> float:
        """One decision's share of the false-alarm risk: 1 - (1 - R)^(1/N)."""
        return shared_risk(self.false_alarm_risk, self.planned * self.runs_sharing_risk)

    def detect_for(self, name: str) -> Detect | None:
        """The `detect` entry for a quantity, the one for its motor first."""
        return Name(name).entry_in(self.detect)

    def requirement_for(self, name: str) -> Requirement | None:
        """The requirement for a quantity, the one for its motor first."""
        return Name(name).entry_in(self.requirements)

    def limit(self, gap: Quantity) -> float:
        """What the error of a difference goes beyond, on either side, with the risk of one decision."""
        return safe_half_width(gap, self.risk_each)

    def factor(self, gap: Quantity) -> float:
        """The limit over its standard uncertainty; a normal's where it has none."""
        return self.limit(gap) / gap.u if gap.u else student_quantile(1.0 - self.risk_each / 2.0, math.inf)


def decisions(names: Iterable[str], requirements: Mapping[str, Requirement]) -> int:
    """How many decisions the planned quantities make: one each, one more where there is a requirement."""
    return sum(1 if Name(name).entry_in(requirements) is None else 2 for name in names)


def judge(result: Measurement | Unmeasured, expectation: Expectation | None, rule: Rule) -> tuple[Verdict, ...]:
    """The verdicts on one quantity: against its expectation, and against its requirement if it has one."""
    requirement = rule.requirement_for(result.name)
    if isinstance(result, Unmeasured):
        unit = expectation.quantity.unit if expectation and expectation.quantity else ""
        return (
            Verdict(
                name=result.name,
                outcome=result.outcome,
                unit=unit,
                expected=expectation,
                requirement=requirement,
                reason=result.reason,
            ),
        )
    if requirement is None:
        return (against_expectation(result, expectation, rule),)
    required = against_requirement(result, requirement, rule)
    return (required,) if expectation is None else (against_expectation(result, expectation, rule), required)


def judge_all(
    results: Iterable[Measurement | Unmeasured], expectations: Iterable[Expectation], rule: Rule
) -> list[Verdict]:
    """The verdicts on all results, in their order; expectations are found by name."""
    by_name = {expectation.name: expectation for expectation in expectations}
    return [verdict for result in results for verdict in judge(result, by_name.get(result.name), rule)]


def against_expectation(measurement: Measurement, expectation: Expectation | None, rule: Rule) -> Verdict:
    """Agrees, differs, cannot tell or not judged (see the top of this file)."""
    name, measured = measurement.name, measurement.quantity
    verdict = Verdict(
        name=name,
        outcome=Outcome.NOT_JUDGED,
        unit=measured.unit,
        measured=measured,
        expected=expectation,
        note=measurement.note,
    )
    if expectation is None or expectation.quantity is None:
        missing = expectation.needs if expectation is not None else ()
        return replace(verdict, reason=needed(missing or ("a model of this quantity, or a baseline",)))
    expected = expectation.quantity
    if (expected.unit or "1") != (measured.unit or "1"):
        raise ValueError(f"{name}: measured in {measured.unit}, expected in {expected.unit}: one of both is wrong")
    gap = difference(measured, expected)
    low, high = expectation.interval or (expected.value, expected.value)
    if measured.exact and expected.exact:
        return _exact(verdict, measured.value, low, high, from_floor=expectation.from_floor)
    allowed = rule.limit(gap)
    limits = (low - allowed, high + allowed)
    off = _beyond(measured.value, low, high)
    detectable = (high - low) / 2.0 + caught_from(gap, allowed)
    detect = rule.detect_for(name)
    must = None if detect is None else detect.deviation(expected.value)
    word, reason = Outcome.AGREES, ""
    remedies: tuple[str, ...] = ()
    if abs(off) > allowed:  # whatever must be seen: this was
        word = Outcome.DIFFERS
        reason = f"{off:+.3g} {_unit(measured)}off{_percent(off, expected.value)}, {allowed:.2g} allowed"
    elif must is None:  # nothing says whether so wide an agreement is worth anything
        word, reason = Outcome.NOT_JUDGED, UNASKED
    elif detectable > must:
        word = Outcome.CANNOT_TELL
        reason = f"this bench sees from {detectable:.2g} {_unit(measured)}on, must see {must:.2g}; {largest(gap)}"
        remedies = _shrinking(gap)
    return replace(
        verdict,
        outcome=word,
        unasked=word is Outcome.NOT_JUDGED,
        reason=reason,
        remedies=remedies,
        limits=limits,
        must_detect=must,
        detectable=detectable,
        margin=_margin(measured.value, limits, from_floor=expectation.from_floor),
        e_n=e_number(off, measured, expected),
    )


def at_fault(motor: str, what: str, reason: str) -> Verdict:
    """The verdict on what firmware does against its contract; `motor` is empty where no single one is concerned."""
    name = Name.of(motor, CONDUCT, what)
    return Verdict(name=name, kind=VerdictKind.CONDUCT, outcome=Outcome.NONCONFORMING, reason=reason)


def _margin(value: float, limits: tuple[float, float], *, from_floor: bool) -> float:
    """Distance from the nearest limit, of the upper one where the other is none."""
    low, high = limits
    return high - value if from_floor else min(value - low, high - value)


def _exact(verdict: Verdict, value: float, low: float, high: float, *, from_floor: bool) -> Verdict:
    """Counts, senses and patterns: equal or not, no uncertainty to allow for."""
    inside = low <= value <= high
    found, awaited = (counted_in_words(verdict.name, each) for each in (value, low))
    return replace(
        verdict,
        outcome=Outcome.AGREES if inside else Outcome.DIFFERS,
        limits=(low, high),
        margin=_margin(value, (low, high), from_floor=from_floor),
        detectable=0.0,
        reason="" if inside else f"{found} where {awaited} is expected",
    )


def against_requirement(measurement: Measurement, requirement: Requirement, rule: Rule) -> Verdict:
    """Conforming, nonconforming or undecided (JCGM 106:2012, 8.3; ISO 14253-1).

    Conforming where the probability to lie outside the limits, outside one and outside the other, is at most
    `false_acceptance_risk` (JCGM 106:2012, 7.4); nonconforming so far beyond a limit that of items at it only
    `risk_each` would be measured there or beyond the other.
    """
    measured = measurement.quantity
    low = -math.inf if requirement.low is None else requirement.low
    high = math.inf if requirement.high is None else requirement.high
    refuse = _guard_band(measured, rule.risk_each, lambda band: high - low + band)
    accept = _guard_band(measured, rule.false_acceptance_risk, lambda band: high - low - band)
    inside = min(measured.value - low, high - measured.value)
    verdict = Verdict(
        name=measurement.name,
        outcome=Outcome.CONFORMING,
        unit=measured.unit,
        measured=measured,
        requirement=requirement,
        limits=(low + accept, high - accept),
        margin=inside - accept,
        note=measurement.note,
    )
    if inside < -refuse:
        limit = low if measured.value < low else high
        return replace(
            verdict,
            outcome=Outcome.NONCONFORMING,
            reason=f"{abs(inside):.3g} {_unit(measured)}beyond the limit {limit:g}, guard band {refuse:.2g}",
        )
    reasons: list[str] = []
    remedies: tuple[str, ...] = ()
    if inside < accept:
        band = f"within the guard band of a limit ({accept:.2g} inside, {refuse:.2g} outside)"
        reasons.append(f"{band}; {largest(measured)}")
        remedies += _shrinking(measured)
    if coarse := too_coarse(rule.gauge.get(measurement.name), requirement, rule.gauge_share_max):
        reasons.append(coarse)
        remedies += (coarse,)
    if not reasons:
        return verdict
    return replace(verdict, outcome=Outcome.UNDECIDED, reason="; ".join(reasons), remedies=remedies)


def _guard_band(measured: Quantity, risk: float, far: Callable[[float], float]) -> float:
    """The band from a limit such that errors beyond it, and on the other side beyond `far(band)`, have `risk` together.

    More than half of the tolerance where no band inside it is enough.
    """
    from scipy.optimize import brentq

    one = safe_half_width(measured, 2.0 * risk) if risk < 0.5 else -safe_half_width(measured, 2.0 - 2.0 * risk)
    both = safe_half_width(measured, risk)

    def over(band: float) -> float:
        return safe_tail(measured, band) + safe_tail(measured, far(band)) - risk

    if math.isinf(far(one)) or measured.exact or over(one) <= NEAR_RISK * risk:
        return one
    return both if far(both) <= both or over(both) >= 0.0 else float(brentq(over, one, both, rtol=1e-9))


def tolerance_share(grr: float, mean: float, requirement: Requirement) -> float:
    """Share of a requirement's tolerance that the scatter `grr` of readings of one board takes; infinite at no room.

    Of two limits 6 grr / (upper - lower) (AIAG manual, 4th edition, from memory); to a single limit
    3 grr / |limit - mean|, which is the same seen from one side (common practice, no source).
    """
    if requirement.low is not None and requirement.high is not None:
        reach, room = 6.0 * grr, requirement.high - requirement.low
    else:
        limit = requirement.high if requirement.low is None else requirement.low
        reach, room = 3.0 * grr, abs((limit or 0.0) - mean)
    if reach == 0.0:
        return 0.0
    return reach / room if room > 0.0 else math.inf


def too_coarse(gauge: Gauge | None, requirement: Requirement, most: float) -> str:
    """Why a gauge cannot tell what a requirement asks, in words; "" where it can, or nobody has studied it."""
    if gauge is None:
        return ""
    share = tolerance_share(gauge.grr, gauge.mean, requirement)
    if share <= most:
        return ""
    part = f": largest part: {gauge.largest}" if gauge.largest else ""
    which = f"study {gauge.study} of {gauge.made_utc[:10]}, at most {percent(most)}"
    return f"the gauge takes {percent(share)} of the tolerance ({which}){part}"


def percent(share: float) -> str:
    """`62 %`; what leaves no room at all is more than any number."""
    return f"{100.0 * share:.0f} %" if share < 100.0 else "more than 10000 %"


def unasked(names: Iterable[str], others: Iterable[str] = ()) -> str:
    """In one line: quantities of which the rig file asks nothing; `others` are of any other reason or none.

    A quantity is named without its motor unless it is among the others for another motor.
    """
    asked = {Name(name).suffix for name in others}
    shown = dict.fromkeys(name if Name(name).suffix in asked else Name(name).suffix for name in names)
    return f"measured, not judged: [detect] of the rig file says nothing of {', '.join(shown)}"


def e_number(off: float, measured: Quantity, expected: Quantity) -> float | None:
    """E_n = difference / sqrt(U^2 + U_ref^2) with U = 2 u (ISO/IEC 17043); shown, never decides.

    It takes both results as independent. None where both are exact.
    """
    expanded = 2.0 * math.hypot(measured.u, expected.u)
    return off / expanded if expanded > 0.0 else None


def largest(quantity: Quantity) -> str:
    """The largest contribution of a budget in words, with what would shrink it."""
    part = quantity.largest()
    return f"largest contribution: {part}" if part else "no contribution"


def _shrinking(quantity: Quantity) -> tuple[str, ...]:
    """What would shrink an uncertainty: the largest contribution of its budget."""
    part = quantity.largest()
    return (part,) if part else ()


def _beyond(value: float, low: float, high: float) -> float:
    """Signed distance from the interval, 0 inside."""
    return value - low if value < low else max(value - high, 0.0)


def _unit(quantity: Quantity) -> str:
    return "" if quantity.unit in {"", "1"} else f"{quantity.unit} "


def _percent(off: float, expected: float) -> str:
    return f" ({100.0 * off / abs(expected):+.0f} %)" if expected else ""
