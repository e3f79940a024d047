"""Drift and steps over the newest runs of a rig, by the comparison that `baseline show` uses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.base.errors import HarnessError
from harness.base.words import visible
from harness.store import Store, StoredRun

WATCHED_RUNS = 30
"""Newest runs that are looked over: with so many a step of 5 standard deviations in one of 44 quantities is seen as a
drift within 5 runs in 8 of 10 cases and more, with 20 in fewer, with 12 in 4 of 100
(tests/software/compare/simulation.py). Each record takes some 50 ms to read and to refer to one temperature and supply.
"""
LEAST = 5
"""With fewer runs neither a drift nor a step can be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFinding:
    """A drift or a step of one quantity. `run` is the first after the step, or at which the drift was seen."""

    name: str
    kind: str
    run: int
    shift: float | None
    """Of the mean, at a step."""
    unit: str
    exchanged: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftWatch:
    """What looking over the newest runs found; `why_not` says in words why nobody looked."""

    runs: int = 0
    findings: Sequence[DriftFinding] = ()
    why_not: str = ""


def watch_drift(store: Store, runs: Sequence[StoredRun], watched: int = WATCHED_RUNS) -> DriftWatch:
    """Drifts and steps over the newest `watched` of `runs`, which are in the order in which they were started."""
    newest = [run for run in runs if run.finished][-watched:]
    if len(newest) < LEAST:
        return DriftWatch(why_not=f"looked for with {LEAST} finished runs or more, found {len(newest)}")
    from harness.compare import series_of

    try:
        records = [store.record(run.id) for run in newest]
        series = series_of(records)
    except HarnessError as error:
        return DriftWatch(why_not=visible(str(error)))
    findings: list[DriftFinding] = []
    for quantity in series:
        if quantity.change is not None:
            run = newest[quantity.records[quantity.change.at]].id
            findings.append(
                DriftFinding(
                    name=quantity.name, kind="step", run=run, shift=quantity.change.shift, unit=quantity.unit,
                    exchanged=quantity.exchanged,
                )
            )  # fmt: skip
        elif quantity.average.out_at is not None:
            run = newest[quantity.records[quantity.average.out_at]].id
            findings.append(DriftFinding(name=quantity.name, kind="drift", run=run, shift=None, unit=quantity.unit))
    return DriftWatch(runs=len(newest), findings=findings)
