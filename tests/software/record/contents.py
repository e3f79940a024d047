"""What stands in a record.json, for tests that make one up, change one, or look at one key by key."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from harness.nouns.contract import Declared
from harness.nouns.results import Outcome, Verdict
from harness.record import Record, RecordWriter
from harness.record.entries import OpeningEntries, PlanEntries
from harness.record.forms import clean, verdict_entry
from harness.record.record import FILE
from harness.record.values import read_as

DECLARED: dict[str, Any] = clean(
    Declared(
        contract=1,
        name="drive",
        version="1.4.0",
        pace="own",
        carrier_hz=2e4,
        loop_period_s=1e-3,
        counts_per_turn=16384,
        field_steps=240,
        max_static_duty=1.0,
        dead_time_s=1e-7,
        pole_pairs=11,
        offset_count=100,
        direction=1,
        sensor_path="bus",
        timers=(-1,),
        amplitude_limit=0.4,
        current_limit_a=None,
        travel_limit_rad=None,
    )
)
"""A declaration of firmware, as a record keeps it."""
RIG = {"name": "sluice", "description": "Two motors", "file": "sluice.toml", "sha256": "ab" * 32, "text": ""}
BOARD = {
    "port": "simulated:sluice",
    "unique_id": "0042",
    "system": "linux",
    "implementation": "micropython",
    "version": "1.0",
    "machine": "a board",
}
RISK = {"false_alarm": 0.01, "false_acceptance": 0.05, "planned": 58, "runs_sharing_risk": 1, "each": 0.0002}
VERDICT = verdict_entry(Verdict(name="", outcome=Outcome.AGREES))
"""A verdict that says nothing but agrees."""


def opening(**changes: Any) -> dict[str, Any]:
    """What a run knows before it measures, and what it has planned."""
    return {
        "rotorgate": "0.1.0",
        "versions": {"python": "3.11.7", "numpy": "2.0"},
        "started_utc": "2026-03-01T08:00:00+00:00",
        "seed": 1,
        "plant_seed": None,
        "board_seed": None,
        "lot": None,
        "repeat": {"number": 1, "of": 1},
        "simulated": True,
        "scenario": "sluice",
        "rig": RIG,
        "board": BOARD,
        "declared": {"leaf": DECLARED},
        "hashes": {"scripts": {}, "firmware": "cd" * 32},
        "contract_missing": [],
        "instruments": {},
        "gauge": None,
        "planned": [],
        "required": [],
        "missing": [],
        "not_supervised": [],
        "risk": RISK,
        **changes,
    }


def writer(folder: Path, **changes: Any) -> RecordWriter:
    """A record begun, with its plan."""
    parts = opening(**changes)
    made = RecordWriter(folder, read_as(OpeningEntries, parts, "opening"))
    made.plan(read_as(PlanEntries, parts, "plan"))
    return made


def content_of(record: Record) -> dict[str, Any]:
    """Its record.json."""
    content: dict[str, Any] = json.loads(record.data)
    return content


def record_of(content: Mapping[str, Any], folder: Path = Path("run")) -> Record:
    """The record that a record.json makes."""
    return Record(folder, json.dumps(content).encode())


def saved(record: Record, folder: Path) -> Path:
    """The folder, new, with the record in it."""
    folder.mkdir(parents=True)
    (folder / FILE).write_bytes(record.data)
    return folder


def edited(record: Record, **entries: Any) -> Record:
    """The same with other entries."""
    return record_of({**content_of(record), **entries}, record.folder)


def without(record: Record, *names: str) -> Record:
    """The same without some entries."""
    return record_of({key: value for key, value in content_of(record).items() if key not in names}, record.folder)
