"""Folders of runs that still lie beside the store, found by what their record.json says, byte for byte."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from harness.base.disk import beginning_of, read_bytes
from harness.base.errors import HarnessError
from harness.record.record import FILE
from harness.store import Store, StoredRun

PAGE = "report.html"
RUNS = Path("runs")
"""Where runs lie that are kept in a database: the folder in which `qualify` makes them."""
STARTED = re.compile(rb'"started_utc": "([^"\\]{10,40})"')
BEGINNING = 65536
"""Bytes of a record.json in which the time of its start stands."""


def reports(store: Store, runs: Sequence[StoredRun]) -> dict[int, Path]:
    """Page of each of these runs by its id, where its folder is beside the store and has one."""
    file = store.address.file
    folder = RUNS if file is None else file.parent
    by_start: dict[str, list[StoredRun]] = {}
    for run in runs:
        by_start.setdefault(run.started_utc, []).append(run)
    page_of_run: dict[int, Path] = {}
    try:
        pages = sorted(folder.glob(f"*/{PAGE}"))
    except OSError:
        return page_of_run
    for page in pages:
        try:
            record = page.with_name(FILE)
            started = STARTED.search(beginning_of(record, BEGINNING))
            maybe = by_start.get(_utc(started[1]), []) if started else []
            text = read_bytes(record) if maybe else b""
            for run in maybe:
                if run.id not in page_of_run and store.text(run.id) == text:
                    page_of_run[run.id] = page
        except (OSError, ValueError, HarnessError):
            continue  # a folder that cannot be read is no folder to point to
    return page_of_run


def _utc(text: bytes) -> str:
    """A time as a store spells it. Raises ValueError."""
    return datetime.fromisoformat(text.decode("ascii")).astimezone(UTC).isoformat(timespec="seconds")
