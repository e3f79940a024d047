"""The limits by which the newest whole run was judged: of the model, and of the requirements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from harness.base.errors import HarnessError
from harness.nouns.results import Verdict
from harness.store import Store, StoredRun

Ends = tuple[float | None, float | None]
NONE: Ends = (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownLimits:
    """Of one quantity; None where there is no limit on that side."""

    model: Ends = NONE
    """Beyond them a value differs from what the model of the rig predicts."""
    required: Ends = NONE
    """As the rig file states them."""
    accepted: Ends = NONE
    """The same with their guard bands: inside them a value conforms."""


def limits_of(store: Store, runs: Sequence[StoredRun]) -> tuple[StoredRun | None, dict[str, ShownLimits], list[str]]:
    """The newest run of `runs` (in their order) that came to its end, its limits by quantity, and what went wrong."""
    whole = [run for run in runs if run.finished]
    if not whole:
        return None, {}, ["no limits are shown: no run that is drawn came to its end"]
    newest = whole[-1]
    try:
        verdicts = store.record(newest.id).verdicts
    except HarnessError as error:
        return None, {}, [f"no limits are shown: {error}"]
    limits_by_name: dict[str, ShownLimits] = {}
    for verdict in verdicts:
        limits_by_name[verdict.name] = _with(limits_by_name.get(verdict.name, ShownLimits()), verdict)
    return newest, {name: limits for name, limits in limits_by_name.items() if limits != ShownLimits()}, []


def _with(known: ShownLimits, verdict: Verdict) -> ShownLimits:
    requirement = verdict.requirement
    if requirement is None:
        return ShownLimits(model=_ends(verdict.limits), required=known.required, accepted=known.accepted)
    stated = requirement.low, requirement.high
    return ShownLimits(model=known.model, required=stated, accepted=_ends(verdict.limits))


def _ends(limits: tuple[float, float] | None) -> Ends:
    """Both limits; an infinite one is none."""
    if limits is None:
        return NONE
    low, high = (end if isfinite(end) else None for end in limits)
    return low, high
