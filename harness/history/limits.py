"""The limits by which the newest whole run was judged: of the model, and of the requirements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from harness.base.errors import HarnessError
from harness.store import Store, StoredRun

Ends = tuple[float | None, float | None]
NONE: Ends = (None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Of one quantity; None where there is no limit on that side."""

    model: Ends = NONE
    """Beyond them a value differs from what the model of the rig predicts."""
    required: Ends = NONE
    """As the rig file states them."""
    accepted: Ends = NONE
    """The same with their guard bands: inside them a value conforms."""


def limits_of(store: Store, runs: Sequence[StoredRun]) -> tuple[StoredRun | None, dict[str, Limits], list[str]]:
    """The newest run of `runs` (in their order) that came to its end, its limits by quantity, and what went wrong."""
    whole = [run for run in runs if run.finished]
    if not whole:
        return None, {}, ["no limits are shown: no run that is drawn came to its end"]
    newest = whole[-1]
    try:
        verdicts = store.record(newest.id).content["verdicts"]
    except HarnessError as error:
        return None, {}, [f"no limits are shown: {error}"]
    found: dict[str, Limits] = {}
    for entry in verdicts:
        if isinstance(entry, dict) and isinstance(entry.get("name"), str):
            found[entry["name"]] = _with(found.get(entry["name"], Limits()), entry)
    return newest, {name: limits for name, limits in found.items() if limits != Limits()}, []


def _with(known: Limits, verdict: Mapping[str, Any]) -> Limits:
    requirement = verdict.get("requirement")
    if not isinstance(requirement, dict):
        return Limits(model=_ends(verdict.get("limits")), required=known.required, accepted=known.accepted)
    stated = _ends([requirement.get("low"), requirement.get("high")])
    return Limits(model=known.model, required=stated, accepted=_ends(verdict.get("limits")))


def _ends(pair: Any) -> Ends:
    """Two limits; what is none, or not a finite number, is no limit."""
    if not isinstance(pair, list) or len(pair) != 2:
        return NONE
    low, high = (float(end) if isinstance(end, int | float) and isfinite(end) else None for end in pair)
    return low, high
