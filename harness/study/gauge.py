"""Is the bench itself good enough? What readings of one board scatter, where it comes from, what it costs.

In the words of the AIAG manual (Measurement Systems Analysis, 4th edition), all as standard deviations:

    EV    repeatability: repeats of one board on one bench on one day
    AV    reproducibility: between benches and days, which stand where the manual has its appraisers
    INT   boards that read differently from bench to bench or day to day, where that is more than chance
    GRR   root of EV^2 + AV^2 + INT^2
    PV    between boards
    TV    root of GRR^2 + PV^2
    ndc   1.41 PV / GRR, cut to a whole number: how many groups of boards the bench tells apart

Values are referred to 20 degC and nominal supply first, as for a baseline: room and battery are not the gauge's fault.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from harness.compare.comparable import ComparableValue, turned_near
from harness.judge.verdict import percent, tolerance_share
from harness.nouns.results import Fitness, Requirement
from harness.study.anova import REPEATS, Combination, Factors, Table, crossed
from harness.study.design import FACTORS, Design
from harness.study.result import BENCH, BOARD, DAY, REMEDIES, WORDS, GaugeResult, VarianceLine

PER_CATEGORY = 1.41
"""Boards are told apart in groups as wide as 97 % of the readings of one: root of 2 (AIAG manual)."""
CATEGORIES = 5
"""Groups that a gauge should tell apart (AIAG manual, from memory). Said, and decides nothing: boards may be alike."""
FEWEST_DOF = 4
"""Degrees of freedom of the repeats below which they say too little of their own scatter. Arbitrary: with 4 the 95 %
limits of a standard deviation are 0.6 and 2.9 times the estimate."""
CLAIM = 0.999
"""Probability of the limits that a claim is held against: among 50 quantities one false finding in 40 studies."""
DISTINCT = 5
"""Different readings below which the resolution shows in them (AIAG manual: five categories at least, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Variances:
    """An analysis of variance in the words of a gauge study."""

    table: Table
    components: Mapping[Factors, Combination]

    def root(self, sources: Iterable[Factors]) -> float:
        """Standard deviation of several components together, each at least 0."""
        return math.sqrt(math.fsum(max(self.components[source].value, 0.0) for source in sources))

    @property
    def gauge(self) -> tuple[Factors, ...]:
        """What makes readings of one board differ."""
        return tuple(source for source in self.components if source != (BOARD,))

    @property
    def between(self) -> tuple[Factors, ...]:
        """Benches and days."""
        return tuple(source for source in self.gauge if source != REPEATS and BOARD not in source)

    @property
    def interactions(self) -> tuple[Factors, ...]:
        """Boards that are read differently."""
        return tuple(source for source in self.gauge if BOARD in source)

    @property
    def largest(self) -> Factors:
        """The component that makes the most of GRR."""
        return max(self.gauge, key=lambda source: self.components[source].value)

    def limits(self, probability: float = 0.95) -> tuple[float, float]:
        """Confidence limits of GRR, made to hold the estimate, which has components below 0 cut off."""
        low, high = self.table.component(*self.gauge).limits(probability)
        grr = self.root(self.gauge)
        return min(math.sqrt(low), grr), max(math.sqrt(high), grr)

    @property
    def dof(self) -> float:
        """Effective degrees of freedom of GRR."""
        return self.table.component(*self.gauge).dof


def variances(values: NDArray[np.float64], *, nested: bool = False) -> Variances:
    """The components of values in an array of shape (boards, benches, days, repeats).

    `nested`: days belong to benches, and equal places in the array are not equal days. Raises MeasurementError where
    nothing was repeated.
    """
    table = crossed(values, FACTORS)
    if nested:
        for factors in ((DAY,), (BOARD, DAY)):
            whole = (*factors[:-1], BENCH, DAY)
            if table.term(factors) is not None:
                table = table.merged(factors, whole if table.term(whole) is not None else REPEATS)
    interactions = [term.factors for term in table.terms if len(term.factors) > 1]
    table = table.with_pooling([factors for factors in interactions if not (nested and factors == (BENCH, DAY))])
    every = [REPEATS, *(term.factors for term in table.terms)]
    return Variances(table=table, components={factors: table.component(factors) for factors in every})


def gauge_result(
    name: str,
    runs: Sequence[ComparableValue | str],
    shape: Design,
    requirement: Requirement | None,
    most: float,
) -> GaugeResult:
    """The gauge of one quantity from its values in the runs of a design, in their order.

    `most` is the share of the tolerance that it may take. A run without a value is a text that says why.
    """
    asked = requirement is not None
    word, limit = (Fitness.NOT_TOLD, most) if asked else (Fitness.UNASKED, None)
    empty = GaugeResult(name=name, word=word, requirement=requirement, most=limit)
    missing = [(number, run) for number, run in enumerate(runs) if isinstance(run, str)]
    values_of_runs = [run for run in runs if isinstance(run, ComparableValue)]
    if missing or not values_of_runs:
        of, why = len(missing), (missing[0][1] if missing else "")
        return replace(empty, reason=f"not measured in {of} of {len(runs)} runs: {why or 'it was not planned'}")
    values_of_runs = [turned_near(name, run, values_of_runs[0].value) for run in values_of_runs]
    units = {run.lasting.unit or "1" for run in values_of_runs}
    if len(units) > 1:
        return replace(empty, reason=f"the runs give it in {' and '.join(sorted(units))}: one is wrong")
    values = np.array([run.value for run in values_of_runs])[shape.order]
    got = variances(values, nested=shape.nested)
    claimed = math.sqrt(math.fsum(run.lasting.u**2 + run.own_u**2 for run in values_of_runs) / len(values_of_runs))
    known = _numbers(empty, got, [run.value for run in values_of_runs], units.pop(), shape)
    known = replace(known, claimed_u=claimed, remarks=(*known.remarks, *_claims(got, claimed)))
    exact = all(run.exact for run in values_of_runs)
    return _judged(known, got, exact=exact)


def _numbers(empty: GaugeResult, got: Variances, values: Sequence[float], unit: str, shape: Design) -> GaugeResult:
    grr = got.root(got.gauge)
    boards = len(shape.boards) > 1
    studied = bool(len(shape.benches) > 1 or shape.days_studied)
    pv = got.root([(BOARD,)]) if (BOARD,) in got.components else None
    distinct = len(set(values))
    remarks = []
    if 1 < distinct < DISTINCT <= len(values):
        remarks.append(f"its readings fall on {distinct} values only: their resolution is part of the scatter")
    ndc = None if pv is None or not grr else math.floor(PER_CATEGORY * pv / grr)
    if ndc is not None and ndc < CATEGORIES and empty.requirement is not None:
        groups = f"{ndc} groups" if ndc > 1 else "no groups"
        remarks.append(
            f"tells {groups} of these boards apart, where {CATEGORIES} are wanted: they are alike, or it is coarse"
        )
    table = got.table
    return replace(
        empty,
        unit=unit,
        mean=math.fsum(values) / len(values),
        readings=len(values),
        distinct=distinct,
        ev=got.root([REPEATS]),
        av=got.root(got.between) if studied else None,
        interaction=got.root(got.interactions) if studied and boards else None,
        grr=grr,
        pv=pv,
        tv=None if pv is None else math.hypot(grr, pv),
        grr_limits=got.limits(),
        grr_dof=got.dof,
        ndc=ndc,
        largest=f"{WORDS[got.largest]}; what would help: {REMEDIES[got.largest]}",
        lines=tuple(_line(got, factors) for factors in (*(term.factors for term in table.terms), REPEATS)),
        pooled=tuple(WORDS[factors] for factors in table.pooled),
        remarks=tuple(remarks),
    )


def _line(got: Variances, factors: Factors) -> VarianceLine:
    term, component = got.table.term(factors), got.components[factors].value
    test = got.table.test(factors) if factors != REPEATS else None
    return VarianceLine(
        words=WORDS[factors],
        ss=term.ss if term else 0.0,
        dof=term.dof if term else 0,
        f=test.f if test else None,
        p=test.p if test else None,
        approximate=bool(test and test.approximate),
        component=max(component, 0.0),
        cut=component < 0.0,
    )


def _claims(got: Variances, claimed: float) -> list[str]:
    """What scatters more than the runs' own uncertainties leave room for."""
    if not claimed:
        return []  # counts and senses claim nothing
    if math.sqrt(got.components[REPEATS].limits(CLAIM)[0]) > claimed:
        return ["its budget is understated: repeats alone scatter more than a run claims"]
    if got.limits(CLAIM)[0] > claimed:
        return [
            "readings of one board scatter more than a run's budget claims: benches and days differ by what no budget "
            "of one run holds, or it is understated"
        ]
    return []


def _judged(known: GaugeResult, got: Variances, *, exact: bool) -> GaugeResult:
    """The word, and why."""
    requirement, grr, most = known.requirement, known.grr or 0.0, known.most or 0.0
    if known.distinct == 1 and not exact:
        reason = "all readings are alike: it is coarser than its scatter, and how coarse nothing here tells"
        return replace(known, reason=reason, grr=None, grr_limits=None, ndc=None, largest="")
    dof = got.table.error.dof
    few = dof < FEWEST_DOF and not exact
    known = replace(known, binding=not few and known.av is not None)
    if requirement is None:
        return known
    share = tolerance_share(grr, known.mean, requirement)
    low, high = known.grr_limits or (grr, grr)
    limits = (tolerance_share(low, known.mean, requirement), tolerance_share(high, known.mean, requirement))
    known = replace(known, share=share, share_limits=limits)
    between = f"95 % limits {percent(limits[0])} to {percent(limits[1])}"
    if few:
        reason = f"{dof} of the {FEWEST_DOF} degrees of freedom that its repeatability takes: more runs a board"
        return replace(known, reason=reason)
    if share > most:
        reason = f"takes {percent(share)} of the tolerance ({between}), at most {percent(most)}; largest part: "
        return replace(known, word=Fitness.COARSE, binding=True, reason=reason + known.largest)
    if known.av is None:
        reason = (
            f"repeatability alone takes {percent(share)} of the tolerance; reproducibility was not studied: "
            "it takes several benches or days"
        )
        return replace(known, reason=reason)
    reason = f"fit by its estimate; {between}: more benches, days or boards would narrow them"
    return replace(known, word=Fitness.FIT, reason=reason if limits[1] > most else "")
