"""The baseline in force of a rig: the mean of its runs, and the margin round it."""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from dataclasses import dataclass

from harness.base.errors import HarnessError
from harness.nouns.names import Name
from harness.nouns.results import Detect
from harness.store import Store
from harness.store.baselines import StoredBaseline


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineMean:
    """Of one quantity. Values as they were measured, not referred to one temperature and supply."""

    title: str
    """`baseline NAME, revision N`."""
    mean: float
    runs: int
    margin: float | None
    """[detect] of the rig file of the baseline's first run; None where that says nothing of it."""


def baseline_means(store: Store, rig: str, simulated: bool) -> tuple[dict[str, BaselineMean], list[str]]:
    """What the baseline of a rig that was accepted last and is in force says, by quantity; and what went wrong."""
    standing = [
        baseline
        for baseline in store.baselines.all()
        if (baseline.rig, baseline.simulated, baseline.state) == (rig, simulated, "in force")
    ]
    if not standing:
        return {}, []
    newest = max(standing, key=lambda baseline: (baseline.accepted_utc, baseline.id))
    remarks = [] if len(standing) == 1 else [f"of {len(standing)} baselines in force the one accepted last is shown"]
    detect: Mapping[str, Detect] = {}
    try:
        detect = _detect(store, newest)
    except HarnessError as error:
        remarks.append(f"{newest.title}: no margins are shown: {error}")
    means: dict[str, BaselineMean] = {}
    for name in store.histories.names():
        values = [entry.value for entry in store.histories.entries(name, newest.runs) if entry.value is not None]
        if values:
            asked = Name(name).entry_in(detect)
            mean = statistics.fmean(values)
            means[name] = BaselineMean(
                title=newest.title,
                mean=mean,
                runs=len(values),
                margin=None if asked is None else asked.deviation(mean),
            )
    return means, remarks


def _detect(store: Store, baseline: StoredBaseline) -> Mapping[str, Detect]:
    """Raises StoreError, RecordError."""
    return store.record(baseline.runs[0]).spec.detect
