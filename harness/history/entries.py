"""The data of a page as one JSON object, without what only a drawing needs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from harness.history.decision_view import view_of
from harness.history.plot import band_of
from harness.history.runs import Key, QuantityHistory, RigHistory, StoreHistory
from harness.store.histories import ReleaseLevel


def entry(history: StoreHistory) -> dict[str, Any]:
    """What `--json` says."""
    return {"store": history.store, "simulated": history.simulated, "rigs": [_rig(rig) for rig in history.rigs]}


def _rig(rig: RigHistory) -> dict[str, Any]:
    places = {release.key: place for place, release in enumerate(rig.releases)}
    return {
        "rig": rig.name,
        "runs": rig.runs,
        "versions": [
            {
                "firmware": release.firmware_name, "version": release.firmware_version, "runs": release.runs,
                "first_utc": release.first_utc, "last_utc": release.last_utc, "builds": release.builds,
                "boards": release.boards,
                "endings": {"null" if code is None else str(code): n for code, n in release.endings.items()},
            }
            for release in rig.releases
        ],
        "older_versions": rig.older,
        "newest_runs": [
            {
                "run": run.id, "started_utc": run.started_utc, "firmware": run.firmware_name,
                "version": run.firmware_version, "board": run.board_id, "exit_code": run.exit_code,
                "verdicts": dict(rig.words[run.id]), "report": str(page) if (page := rig.reports.get(run.id)) else None,
            }
            for run in rig.drawn
        ],
        "decisions": [asdict(view_of(decision)) for decision in rig.decisions],
        "looked_over": rig.watched.runs,
        "findings": [asdict(finding) for finding in rig.watched.findings],
        "why_not": rig.watched.why_not,
        "limits_of_run": None if rig.judged is None else rig.judged.id,
        "quantities": [_quantity(quantity, places) for quantity in rig.quantities if quantity.levels],
        "remarks": list(rig.remarks),
    }  # fmt: skip


def _quantity(quantity: QuantityHistory, places: dict[Key, int]) -> dict[str, Any]:
    """`versions` count from 0 in the rig's list; `newest` are run, value and standard uncertainty."""
    return {
        "name": quantity.name,
        "unit": quantity.unit,
        "versions": [_level(level, places[key]) for key, level in quantity.levels.items() if key in places],
        "newest": [[run.run_id, run.value, run.u] for run in quantity.entries if run.value is not None],
        "limits": None if quantity.limits is None else asdict(quantity.limits),
        "baseline": None if quantity.reference is None else asdict(quantity.reference),
    }


def _level(level: ReleaseLevel, place: int) -> dict[str, Any]:
    band = band_of(level)
    return {
        "version": place, "runs": level.runs, "mean": level.mean, "s": level.s, "low": level.low, "high": level.high,
        "band95": None if band is None else list(band), "refused": level.refused,
    }  # fmt: skip
