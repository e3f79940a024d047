"""Drift and steps over the newest runs of a rig, by the comparison that `baseline show` uses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.base.errors import HarnessError
from harness.base.words import visible
from harness.store import Store, StoredRun

LOOKED_OVER = 12
"""Newest runs that are looked over. Arbitrary: each record takes some 50 ms to read and to refer to one temperature
and supply, which a page of many runs cannot wait for."""
LEAST = 5
"""With fewer runs neither a drift nor a step can be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A drift or a step of one quantity. `run` is the first after the step, or at which the drift was seen."""

    name: str
    kind: str
    run: int
    shift: float | None
    """Of the mean, at a step."""
    unit: str
    exchanged: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What looking over the newest runs found; `why_not` says in words why nobody looked."""

    runs: int = 0
    findings: Sequence[Finding] = ()
    why_not: str = ""


def watched(store: Store, runs: Sequence[StoredRun]) -> Watched:
    """Drifts and steps over the newest of `runs`, which are in the order in which they were started."""
    newest = [run for run in runs if run.finished][-LOOKED_OVER:]
    if len(newest) < LEAST:
        return Watched(why_not=f"looked for with {LEAST} finished runs or more, found {len(newest)}")
    from harness.compare import history

    try:
        records = [store.record(run.id) for run in newest]
        found = history(records)
    except HarnessError as error:
        return Watched(why_not=visible(str(error)))
    findings: list[Finding] = []
    for one in found:
        if one.change is not None:
            run = newest[one.records[one.change.at]].id
            findings.append(
                Finding(
                    name=one.name, kind="step", run=run, shift=one.change.shift, unit=one.unit,
                    exchanged=one.exchanged,
                )
            )  # fmt: skip
        elif one.average.out_at is not None:
            run = newest[one.records[one.average.out_at]].id
            findings.append(Finding(name=one.name, kind="drift", run=run, shift=None, unit=one.unit))
    return Watched(runs=len(newest), findings=findings)
