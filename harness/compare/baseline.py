"""A baseline: what accepted records say a quantity is, and how much runs scatter when nothing has changed.

The scatter is taken from the records themselves, over separate mountings (JCGM 100:2008 H.5), not from their
budgets: what putting an arm on anew does, or a warmer morning, no budget of one run knows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.compare.between import one_way, u_of_mean
from harness.compare.comparable import ComparableValue, comparable_values, refuse_mixed, rig_of, turned_near
from harness.compare.reference import surroundings
from harness.nouns.quantity import Contribution, Quantity, combine, exact
from harness.record import Record

LEAST_MOUNTINGS = 5
"""Fewer say too little about their scatter: with 4 degrees of freedom a risk of 1e-4 takes 13 standard deviations."""
SCATTER = "scatter between mountings"


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineLevel:
    """One quantity of a baseline. `why_not` says why nothing can be compared with it; "" if something can."""

    name: str
    lasting: Quantity
    """Mean over mountings, with what lasts from run to run as its budget."""
    mountings: int
    records: int
    exact: bool = False
    scatter: float = 0.0
    """Standard deviation of the mean of one mounting, of `size` runs on average."""
    size: float = 1.0
    within: float = 0.0
    """Standard deviation of runs in one mounting, with `within_dof` degrees of freedom; 0 where none was repeated."""
    within_dof: float = math.inf
    own_u: float = 0.0
    """What a run's readings scattered by themselves: root of the mean of squares."""
    why_not: str = ""

    @property
    def scatter_dof(self) -> int:
        """Degrees of freedom of `scatter`."""
        return self.mountings - 1

    @property
    def value(self) -> float:
        """The mean."""
        return self.lasting.value

    @property
    def known(self) -> Quantity:
        """The mean with all that leaves it open: what lasts, and what the scatter of few mountings does."""
        if not self.scatter:
            return self.lasting
        part = Contribution(u=u_of_mean(self.scatter, self.mountings), dof=self.scatter_dof)
        return replace(self.lasting, budget={**self.lasting.budget, SCATTER: part})


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Quantities of accepted records, by name."""

    rig: tuple[str, tuple[str, ...]]
    nominal_v: float
    """What supply voltages are referred to: that of the first record's rig file."""
    levels: Mapping[str, BaselineLevel]
    records: tuple[Record, ...]


def by_command(records: Sequence[Record]) -> list[str]:
    """A label a record: repeats of one command were made without touching the bench, each command is a mounting of its
    own. That it was one no record shows.

    Repeats count their seed up from the first, so that it and the board tell which command they go on with.
    """
    labels = [""] * len(records)
    begun: dict[tuple[object, ...], str] = {}
    for place in sorted(range(len(records)), key=lambda k: records[k].started):
        record, repeat = records[place], records[place].repeat
        command = (record.board.unique_id, repeat.of, (record.seed or 0) - repeat.number)
        if repeat.number == 1 or command not in begun:
            begun[command] = f"command of {record.fingerprint[:12]}"
        labels[place] = begun[command]
    return labels


def baseline_of(records: Sequence[Record], mountings: Sequence[str] | None = None) -> Baseline:
    """The baseline of these records.

    `mountings`: one label a record; runs with one label were made without touching the bench. Without labels each
    command counts as a mounting of its own, which whoever accepts the baseline answers for. Raises UsageError for
    records that cannot stand together or have not come to their end, RecordError for one that cannot be read.
    """
    if not records:
        raise UsageError("a baseline needs records: expected at least 1, found none")
    labels = list(mountings) if mountings is not None else by_command(records)
    if len(labels) != len(records):
        raise UsageError(f"expected a mounting for each of {len(records)} records, found {len(labels)}")
    refuse_mixed(records)
    for record in records:
        if not record.finished:
            raise UsageError(f"{visible(str(record.folder))}: did not come to its end: no record for a baseline")
    nominal_v = surroundings(records[0]).nominal_v
    runs = [comparable_values(record, nominal_v) for record in records]
    names = dict.fromkeys(name for run in runs for name in run)
    levels = {name: level(name, [run.get(name, "not planned") for run in runs], labels) for name in names}
    return Baseline(rig=rig_of(records[0]), nominal_v=nominal_v, levels=levels, records=tuple(records))


def level(name: str, runs: Sequence[ComparableValue | str], mountings: Sequence[str]) -> BaselineLevel:
    """One quantity from its runs; a run without a value is a text that says why, and is left out."""
    values: dict[str, list[ComparableValue]] = {}
    for run, label in zip(runs, mountings, strict=True):
        if isinstance(run, ComparableValue):
            values.setdefault(label, []).append(run)
    groups = list(values.values())
    if not groups:
        why = next((run for run in runs if isinstance(run, str) and run), "it was not measured")
        return BaselineLevel(
            name=name, lasting=exact(0.0, ""), mountings=0, records=0, why_not=f"not in the baseline: {why}"
        )
    origin = groups[0][0]
    every = [turned_near(name, run, origin.value) for group in groups for run in group]
    groups = [[turned_near(name, run, origin.value) for run in group] for group in groups]
    units = {run.lasting.unit or "1" for run in every}
    if len(units) > 1:
        raise UsageError(f"{name}: the records of the baseline give it in {' and '.join(sorted(units))}: one is wrong")
    lasting = mean_of(groups)
    counted = len(groups), len(every)
    few = ""
    if counted[0] < LEAST_MOUNTINGS:
        few = f"its baseline has {counted[0]} of the {LEAST_MOUNTINGS} mountings that its scatter takes"
    if all(run.exact for run in every):
        unlike = len({run.value for run in every}) > 1
        # As counted, not as a mean: a sixth of six ones is not quite one.
        return BaselineLevel(
            name=name, lasting=every[0].lasting, mountings=counted[0], records=counted[1], exact=True,
            why_not="the records of the baseline do not agree on it" if unlike else few,
        )  # fmt: skip
    if counted[0] < 2:
        return BaselineLevel(name=name, lasting=lasting, mountings=counted[0], records=counted[1], why_not=few)
    spread = one_way([[run.value for run in group] for group in groups])
    own = _root_mean_square(run.own_u for run in every)
    # Runs scatter at least as their own readings do. Values that are all alike are as coarse as they are, and then
    # what the procedure leaves open may hide in it.
    least = own if spread.s_of_means else math.hypot(own, _root_mean_square(run.procedure_u for run in every))
    return BaselineLevel(
        name=name,
        lasting=lasting,
        mountings=counted[0],
        records=counted[1],
        scatter=max(spread.s_of_means, least / math.sqrt(spread.size)),
        size=spread.size,
        within=max(spread.within_s, own) if spread.dof_within else 0.0,
        within_dof=spread.dof_within or math.inf,
        own_u=own,
        why_not=few,
    )


def mean_of(groups: Sequence[Sequence[ComparableValue]]) -> Quantity:
    """Mean over groups, each group counted once; what its runs took from one source stays one contribution."""
    terms = [(1.0 / len(groups) / len(group), run.lasting) for group in groups for run in group]
    return combine(terms, terms[0][1].unit)


def _root_mean_square(values: Iterable[float]) -> float:
    squares = [value**2 for value in values]
    return math.sqrt(math.fsum(squares) / len(squares))
