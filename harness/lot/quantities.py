"""Quantities of a lot: each board's mean with its budget, what scatters between boards, and what shifts all of them.

A board's mean of r runs keeps what lasts from run to run (type B) whole; what its readings scattered by themselves
(type A) falls with the root of r. Where the runs of a board scatter more than their readings explain, the excess is a
part of its own, from all boards of the lot together, because two runs of one board say next to nothing of it.

Between boards three things are told apart. What the bench is off by (meters, arm, sensor: contributions that all runs
share) shifts all boards alike and does not scatter them: `shift`. What runs of one board scatter by adds to the
scatter of the boards' means: `noise`. What is left is the boards' own: `between`. The capability is taken from the
observed scatter, noise included: it can only make the process look worse than it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.base.errors import UsageError
from harness.compare.baseline import mean_of
from harness.compare.between import between_s, one_way
from harness.compare.comparable import ComparableValue, comparable_value, turned_near
from harness.compare.ownership import owners_of
from harness.judge import verdict as rules
from harness.lot.capability import LEAST_BOARDS, Capability, NoCapability, SpecificationLimits, capability_of
from harness.lot.gathered import Lot
from harness.nouns.coverage import half_width
from harness.nouns.quantity import Contribution, Quantity
from harness.nouns.results import Measurement, Requirement, Unmeasured, Verdict

REPEATS = "runs of one board scatter more than their readings"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardValue:
    """A quantity of one board: mean of its runs, and the verdict on it where there is a requirement."""

    mean: Quantity
    runs: int
    left_open: frozenset[str]
    """Sources of its budget that belong to the procedure: on another board it leaves open something else."""
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotQuantity:
    """A quantity over the boards of a lot."""

    name: str
    unit: str
    requirement: Requirement | None
    boards: Mapping[str, BoardValue]
    missing: Mapping[str, str]
    """Why a board has no value, by its name."""
    exact: bool = False
    mean: float = 0.0
    s: float = 0.0
    """Standard deviation of the boards' means; 0 for fewer than two boards."""
    noise: float = 0.0
    """The part of `s` that runs of one board scatter by."""
    between: float = 0.0
    """What is left of `s` without it: the boards' own; at least 0."""
    shift: float = 0.0
    """Half-width of the 95 % interval of what the bench shifts all boards by."""
    capability: Capability | None = None
    why_not: str = ""
    """Why there is no capability."""
    short: str = ""
    """The same in a few words, where they say less."""


def quantities(lot: Lot) -> list[LotQuantity]:
    """Every quantity that a run of the lot planned, in the order of the newest run. Raises RecordError, UsageError."""
    measured: dict[str, dict[str, list[ComparableValue]]] = {}
    missing: dict[str, dict[str, str]] = {}
    for run in reversed(lot.runs):
        owners = owners_of(run.record)
        for result in run.record.results:
            if isinstance(result, Unmeasured):
                missing.setdefault(result.name, {}).setdefault(run.board, result.reason)
                measured.setdefault(result.name, {})
            else:
                measured.setdefault(result.name, {}).setdefault(run.board, []).append(
                    comparable_value(result.quantity, owners)
                )
    requirements = lot.spec.required
    rule = _rule(lot, requirements)
    lot_quantities = []
    for name, boards in measured.items():
        reasons = {
            board: missing.get(name, {}).get(board, "not planned in any of its runs")
            for board in lot.boards
            if board not in boards
        }
        lot_quantities.append(
            _quantity(name, {board: boards[board] for board in lot.boards if board in boards}, reasons, rule)
        )
    return lot_quantities


def _rule(lot: Lot, requirements: Mapping[str, Requirement]) -> rules.Rule:
    """The rule of the newest run, with the studies of the gauge that it was judged by; a mean is looked at once."""
    newest = lot.runs[-1].record
    return rules.Rule(
        planned=newest.risk.planned,
        false_alarm_risk=newest.risk.false_alarm,
        false_acceptance_risk=newest.risk.false_acceptance,
        requirements=requirements,
        gauge=newest.gauges,
        gauge_share_max=lot.spec.rig.gauge_share_max,
    )


def _quantity(
    name: str, boards: Mapping[str, Sequence[ComparableValue]], missing: Mapping[str, str], rule: rules.Rule
) -> LotQuantity:
    requirement = rule.requirement_for(name)
    quantity = LotQuantity(name=name, unit="", requirement=requirement, boards={}, missing=missing)
    if not boards:
        return replace(quantity, why_not="not measured")
    origin = next(iter(boards.values()))[0]
    units = {run.lasting.unit or "1" for runs in boards.values() for run in runs}
    if len(units) > 1:
        raise UsageError(f"{name}: the records of the lot give it in {' and '.join(sorted(units))}: one is wrong")
    groups = {board: [turned_near(name, run, origin.value) for run in runs] for board, runs in boards.items()}
    every = [run for runs in groups.values() for run in runs]
    excess, dof = _excess(groups)
    values = {board: _board(name, runs, excess, dof, requirement, rule) for board, runs in groups.items()}
    quantity = replace(quantity, unit=origin.lasting.unit, boards=values, exact=all(run.exact for run in every))
    means = [value.mean.value for value in values.values()]
    lasting = mean_of(list(groups.values()))
    quantity = replace(quantity, mean=lasting.value, shift=half_width(lasting))
    if len(means) > 1:
        spread = one_way([[run.value for run in runs] for runs in groups.values()])
        noise = _noise(groups, excess)
        quantity = replace(quantity, s=spread.s_of_means, noise=noise, between=between_s(spread.s_of_means, noise))
    return _with_capability(quantity, means)


def _with_capability(quantity: LotQuantity, means: Sequence[float]) -> LotQuantity:
    if quantity.requirement is None:
        return replace(quantity, why_not="no requirement in the rig file")
    if quantity.exact:
        return replace(quantity, why_not="counted, not measured")
    try:
        limits = SpecificationLimits(low=quantity.requirement.low, high=quantity.requirement.high)
        return replace(quantity, capability=capability_of(means, limits, quantity.shift))
    except NoCapability as error:
        return replace(quantity, why_not=str(error), short=error.short)


def _board(
    name: str,
    runs: Sequence[ComparableValue],
    excess: float,
    dof: float,
    requirement: Requirement | None,
    rule: rules.Rule,
) -> BoardValue:
    count = len(runs)
    lasting = mean_of([runs])
    budget = dict(lasting.budget)
    for number, run in enumerate(runs, start=1):
        if run.own_u:
            budget[f"readings of its run {number}"] = Contribution(
                u=run.own_u / count, dof=run.own_dof, remedy="more repeats"
            )
    if excess:
        budget[REPEATS] = Contribution(u=excess / math.sqrt(count), dof=dof, remedy="more repeats")
    mean = replace(lasting, budget=budget)
    verdict = None
    if requirement is not None:
        verdict = rules.against_requirement(Measurement(name=name, quantity=mean), requirement, rule)
    left_open = frozenset[str]().union(*(run.left_open for run in runs))
    return BoardValue(mean=mean, runs=count, left_open=left_open, verdict=verdict)


def _excess(groups: Mapping[str, Sequence[ComparableValue]]) -> tuple[float, float]:
    """What one run scatters by beyond its readings, with its degrees of freedom, pooled over the boards; 0 if none."""
    dof = sum(len(runs) - 1 for runs in groups.values())
    if not dof:
        return 0.0, math.inf
    squares = []
    for runs in groups.values():
        mean = math.fsum(run.value for run in runs) / len(runs)
        squares += [(run.value - mean) ** 2 for run in runs]
    every = [run.own_u**2 for runs in groups.values() for run in runs]
    left = math.fsum(squares) / dof - math.fsum(every) / len(every)
    # What is left by rounding is no scatter: 1e-20 s of a clock would pass for one.
    largest = max(abs(run.value) for runs in groups.values() for run in runs)
    return (math.sqrt(left), float(dof)) if left > (1e-12 * largest) ** 2 else (0.0, math.inf)


def _noise(groups: Mapping[str, Sequence[ComparableValue]], excess: float) -> float:
    """Standard deviation that runs give the boards' means: root of the mean over boards of its square."""
    squares = [
        math.fsum(run.own_u**2 for run in runs) / len(runs) ** 2 + excess**2 / len(runs) for runs in groups.values()
    ]
    return math.sqrt(math.fsum(squares) / len(squares))


def too_few(lot: Lot) -> str:
    """`too few boards (7 of 10)`, or nothing."""
    count = len(lot.boards)
    return "" if count >= LEAST_BOARDS else f"too few boards ({count} of {LEAST_BOARDS})"
