"""What a page of histories shows, read from a store; how it looks is not known here."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.base.errors import StoreError, UsageError
from harness.base.words import visible
from harness.checks.catalogue import CHECKS, is_angle
from harness.history.baseline_means import BaselineMean, baseline_means
from harness.history.folders import reports
from harness.history.limits import ShownLimits, limits_of
from harness.history.watch import WATCHED_RUNS, DriftWatch, watch_drift
from harness.nouns.names import Name
from harness.store import Store, StoredRun
from harness.store.decisions import StoredDecision
from harness.store.histories import Release, ReleaseLevel, RunEntry

Key = tuple[str, str | None, str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """How much of a store a page shows."""

    drawn: int = 120
    """Newest runs of a rig that are drawn one by one (arbitrary: more would be one blot). All others are in bands."""
    versions: int = 40
    """Newest firmware versions of a rig that are shown (arbitrary: as many as have room side by side)."""
    watched: int = WATCHED_RUNS
    """Newest runs of a rig over which drifts and steps are looked for."""


USUAL = Span()


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityHistory:
    """One quantity of a rig."""

    name: str
    check: str
    motor: str
    unit: str
    levels: Mapping[Key, ReleaseLevel]
    """By firmware version; only those that measured it."""
    entries: Sequence[RunEntry]
    """Of the runs that are drawn, in their order."""
    limits: ShownLimits | None
    """By which the newest finished run was judged."""
    reference: BaselineMean | None
    """What the baseline in force says of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RigHistory:
    """The runs of one rig."""

    name: str
    simulated: bool
    runs: int
    releases: Sequence[Release]
    """The newest ones, in the order of their first runs."""
    older: int
    """Releases before those."""
    drawn: Sequence[StoredRun]
    """The newest runs, in the order in which they were started."""
    words: Mapping[int, Mapping[str, int]]
    """How many verdicts of each word a drawn run has."""
    reports: Mapping[int, Path]
    """Pages of drawn runs whose folders are still there."""
    judged: StoredRun | None
    """The run whose limits are shown."""
    quantities: Sequence[QuantityHistory]
    decisions: Sequence[StoredDecision]
    watched: DriftWatch
    remarks: Sequence[str]
    """What could not be read, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreHistory:
    """All of it: rigs that are either all simulated or all real."""

    store: str
    simulated: bool
    rigs: Sequence[RigHistory]


def read_history(
    store: Store, *, rig: str | None = None, simulated: bool | None = None, span: Span = USUAL
) -> StoreHistory:
    """Read what a page shows. Nothing of the raw observations is read.

    Raises StoreError where there are no such runs, UsageError where simulated and real runs would stand together.
    """
    kind, names = _chosen(store, rig, simulated)
    releases = store.histories.releases(simulated=kind, rig=rig)
    drawn = {name: store.runs(rig=name, simulated=kind, newest=span.drawn) for name in names}
    owners = {run.id: name for name, runs in drawn.items() for run in runs}
    places = {run.id: place for runs in drawn.values() for place, run in enumerate(runs)}
    quantities: dict[str, list[QuantityHistory]] = {name: [] for name in names}
    words: dict[int, Counter[str]] = {run: Counter() for run in owners}
    around = {name: _around(store, name, drawn[name]) for name in names}
    for name in store.histories.names():
        entries: dict[str, list[RunEntry]] = {}
        for entry in store.histories.entries(name, list(owners)):
            entries.setdefault(owners[entry.run_id], []).append(entry)
            words[entry.run_id].update(word for word in (entry.outcome, entry.conformity) if word)
        for owner, levels in _levels(store, name, releases, entries).items():
            own = sorted(entries.get(owner, []), key=lambda entry: places[entry.run_id])
            quantities[owner].append(_quantity(name, levels, own, around[owner]))
    return StoreHistory(
        store=store.address.shown,
        simulated=kind,
        rigs=[
            _rig(
                store,
                releases=[release for release in releases if release.rig == name],
                drawn=drawn[name],
                words={run.id: words[run.id] for run in drawn[name]},
                quantities=sorted(quantities[name], key=_place),
                around=around[name],
                span=span,
            )
            for name in names
        ],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Around:
    """What stands beside the values of a rig: limits and baselines, and what could not be read of them."""

    judged: StoredRun | None
    limits: Mapping[str, ShownLimits]
    references: Mapping[str, BaselineMean]
    remarks: Sequence[str]


def _chosen(store: Store, rig: str | None, simulated: bool | None) -> tuple[bool, list[str]]:
    """Whether simulated runs are asked for, and the rigs that have such."""
    shown, counts = store.address.shown, store.histories.rigs()
    if not counts:
        raise StoreError(f"{shown}: no runs in it yet; `rotorgate qualify` and `rotorgate keep` put them in")
    known = sorted({name for name, _ in counts})
    if rig is not None and rig not in known:
        near = difflib.get_close_matches(rig, known, n=1)
        instead = f"did you mean {visible(near[0])}?" if near else f"it has {', '.join(map(visible, known[:10]))}"
        raise StoreError(f"{shown}: no runs of rig {visible(rig)}; {instead}")
    of_rig = {key: count for key, count in counts.items() if rig in (None, key[0])}
    kinds = {kind: sum(count for (_, run_kind), count in of_rig.items() if run_kind is kind) for kind in (True, False)}
    whose = "" if rig is None else f" of rig {visible(rig)}"
    if simulated is None:
        if all(kinds.values()):
            raise UsageError(
                f"{shown}: {kinds[True]} simulated and {kinds[False]} real runs{whose}: they never stand on one page; "
                "give --simulated or --real"
            )
        simulated = kinds[True] > 0
    if not kinds[simulated]:
        words = ("simulated", "real") if simulated else ("real", "simulated")
        raise StoreError(f"{shown}: no {words[0]} runs{whose}, only {kinds[not simulated]} {words[1]} ones")
    return simulated, [name for (name, run_kind) in of_rig if run_kind is simulated]


def _levels(
    store: Store, name: str, releases: Sequence[Release], entries: Mapping[str, Sequence[RunEntry]]
) -> dict[str, dict[Key, ReleaseLevel]]:
    """Levels of a quantity by rig and version."""
    known = [entry.value for some in entries.values() for entry in some if entry.value is not None]
    origin = known[-1] if known else 0.0
    if not is_angle(name):
        groups = [(origin, releases)]
    else:  # angles on a circle: each rig has its own place on it
        groups = [
            (next((e.value for e in reversed(entries.get(rig, ())) if e.value is not None), origin), own)
            for rig in {release.rig for release in releases}
            if (own := [release for release in releases if release.rig == rig])
        ]
    levels: dict[str, dict[Key, ReleaseLevel]] = {}
    for near, some in groups:
        for level in store.histories.levels(name, some, origin=near, turning=is_angle(name)):
            levels.setdefault(level.release[0], {})[level.release] = level
    return levels


def _quantity(
    name: str, levels: Mapping[Key, ReleaseLevel], entries: Sequence[RunEntry], around: _Around
) -> QuantityHistory:
    return QuantityHistory(
        name=name,
        check=Name(name).check,
        motor=Name(name).motor,
        unit=next((entry.unit for entry in reversed(entries) if entry.unit), "1"),
        levels=levels,
        entries=entries,
        limits=around.limits.get(name),
        reference=around.references.get(name),
    )


def _rig(
    store: Store,
    *,
    releases: Sequence[Release],
    drawn: Sequence[StoredRun],
    words: Mapping[int, Mapping[str, int]],
    quantities: Sequence[QuantityHistory],
    around: _Around,
    span: Span,
) -> RigHistory:
    name, simulated = releases[0].rig, releases[0].simulated
    remarks = list(around.remarks)
    try:
        decisions = store.decisions.all(name, simulated=simulated)
    except StoreError as error:
        decisions = []
        remarks.append(f"decisions of the release gate are left out: {error}")
    return RigHistory(
        name=name,
        simulated=simulated,
        runs=sum(release.runs for release in releases),
        releases=releases[-span.versions :],
        older=len(releases[: -span.versions]),
        drawn=drawn,
        words=words,
        reports=reports(store, drawn),
        judged=around.judged,
        quantities=quantities,
        decisions=decisions,
        watched=watch_drift(store, drawn, span.watched),
        remarks=remarks,
    )


def _around(store: Store, name: str, drawn: Sequence[StoredRun]) -> _Around:
    judged, limits, remarks = limits_of(store, drawn)
    means, more = baseline_means(store, name, drawn[-1].simulated)
    return _Around(judged=judged, limits=limits, references=means, remarks=[*remarks, *more])


def _place(quantity: QuantityHistory) -> tuple[bool, str, int, int, str]:
    """Motors by name and what belongs to both at the end; in each the order of the catalogue."""
    checks = [check.name for check in CHECKS]
    place = checks.index(quantity.check) if quantity.check in checks else len(checks)
    known = [row.name for row in CHECKS[place].quantities] if place < len(checks) else []
    last = Name(quantity.name).quantity
    inner = known.index(last) if last in known else len(known)
    return not quantity.motor, quantity.motor, place, inner, quantity.name
