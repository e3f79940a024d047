"""Stores with a history: runs of several firmware versions, rigs and kinds, as small records. Values are arbitrary."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from harness.store import Store
from tests.software.record.contents import BOARD, DECLARED, record_of, saved
from tests.software.report import sample

STIFFNESS, DELAY, OFFSET = "leaf.stiffness.open_loop", "leaf.step.delay", "leaf.commutation.offset"
SAG = "together.supply_sag"
BEGUN = datetime(2026, 1, 2, 3, 4, tzinfo=UTC)
SHA = {"1.4.0": "a1" * 32, "1.5.0": "b2" * 32}


def run(
    folder: Path, number: int, *, value: float = 0.652, version: str = "1.4.0", rig: str = "sluice", **changes: Any
) -> Path:
    """A finished record of the sample, started `number` hours after the first, with a page beside it."""
    content = sample.record(
        started_utc=(BEGUN + timedelta(hours=number)).isoformat(),
        seed=number,
        declared={"leaf": {**DECLARED, "name": "sluice_drive", "version": version}},
        hashes={"scripts": {}, "firmware": SHA.get(version, "c3" * 32)},
        board={**BOARD, "unique_id": "0011aabb"},
        **{"exit_code": 0, "curves": [], **changes},
    )
    content["rig"] = {**content["rig"], "name": rig}
    content["measurements"][0] = sample.number(STIFFNESS, value, "N m/rad", 0.006)
    saved(record_of(content), folder)
    (folder / "report.html").write_text("<!doctype html>\n", encoding="utf-8")
    return folder


def filled(folder: Path, *, simulated: bool = True) -> Store:
    """Six runs of 1.4.0, then four of 1.5.0, one of which differs, beside their store; two of another rig between."""
    store = Store.open(folder / "store.sqlite", make=True)
    for number in range(6):
        store.keep(run(folder / f"a{number}", number, value=0.6502 + 0.001 * number, simulated=simulated))
    store.keep(run(folder / "other", 2, value=1.5, rig="handwheel", simulated=simulated))
    for number in range(6, 10):
        changes = {"exit_code": 1} if number == 8 else {}
        store.keep(run(folder / f"a{number}", number, value=0.60, version="1.5.0", simulated=simulated, **changes))
    return store


def decided(store: Store, *, word: str = "refuse", content: Any = None, **columns: Any) -> None:
    """A decision on 1.5.0 against a baseline of the first runs."""
    baseline = store.baselines.accept("spring", [1, 2, 3, 4, 5, 6], by_whom="M. Keeper", why="first units")
    said = {
        "reasons": ["leaf.step.delay: different"],
        "waivers": [{"quantity": "step.decay", "by": "A. Person", "why": "known", "until": "2026-12-31", "used": True}],
        "policy": "schema = 1\n",
    }
    store.decisions.add(
        [8, 9],
        said if content is None else content,
        **{
            "rig": "sluice", "simulated": True, "word": word, "exit_code": 1, "firmware_name": "sluice_drive",
            "firmware_version": "1.5.0", "firmware_sha256": SHA["1.5.0"], "baseline_id": baseline.id,
            "policy_sha256": "ef" * 32, **columns,
        },
    )  # fmt: skip
