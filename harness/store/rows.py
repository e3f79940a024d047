"""What a store keeps of a record: the rows of its tables, made from the record. Nothing else knows both."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from harness.base.errors import RecordError
from harness.base.words import visible
from harness.nouns.names import Name
from harness.nouns.results import REQUIRED
from harness.record import Record, read
from harness.record.parts import DamagedRecord
from harness.record.raw import observation_of
from harness.store.packed import LARGEST, inflated
from harness.store.raw import digest

Columns = dict[str, Any]

MOST_SEED = 2**63
"""A database keeps whole numbers in 64 bits with a sign."""
PACKED = zlib.Z_BEST_SPEED
"""A whole qualification's record.json packs in 5 ms in place of 22 by zlib's own choice, to 256 kB in place of 218."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRows:
    """A record as rows without a run's id, and its raw files by their SHA-256."""

    run: Columns
    json: bytes
    quantities: list[Columns]
    observations: list[Columns]
    raw: Mapping[str, bytes]


def rows_of(folder: Path) -> RecordRows:
    """The rows of the record in a folder, having read every observation.

    Raises RecordError where it lacks what a store needs.

    `uid` is the SHA-256 of its record.json and of its observations' names and hashes: the same record is the same run
    wherever it is kept from, and nothing in it can change unseen.
    """
    record = read(folder)
    if len(record.data) > LARGEST:
        raise RecordError(f"{visible(str(record.folder))}: expected a record of at most {LARGEST} bytes, found more")
    try:
        return _rows(record)
    except DamagedRecord as error:
        raise RecordError(f"{visible(str(record.folder))}: damaged record, not kept: {error.what}") from error


def _rows(record: Record) -> RecordRows:
    raw: dict[str, bytes] = {}
    hashes: dict[str, str] = {}
    for entry in record.observation_entries:
        data = record.raw(entry)
        observation_of(entry, data, record.folder / entry.file)  # must be readable now: later would be too late
        hashes[entry.name] = digest(data)
        raw[hashes[entry.name]] = data
    if len(hashes) < len(record.observation_entries):
        raise DamagedRecord(record.folder, "two observations of one name")
    return RecordRows(
        run={"uid": uid_of(record, hashes), **_run(record)},
        json=zlib.compress(record.data, PACKED),
        quantities=_quantities(record),
        observations=[{"name": visible(name), "sha256": sha256} for name, sha256 in hashes.items()],
        raw=raw,
    )


def uid_of(record: Record, hashes: Mapping[str, str]) -> str:
    """What a run is known by: the hash of record.json and of its observations' hashes, by their names.

    Raises KeyError for an observation without one, DamagedRecord.
    """
    listed = "".join(f"\n{entry.name} {hashes[entry.name]}" for entry in record.observation_entries)
    return digest(record.data + listed.encode(errors="backslashreplace"))


def text_from(data: bytes) -> bytes:
    """record.json again, from its row. Raises zlib.error where that is damaged."""
    return inflated(data)


def _run(record: Record) -> Columns:
    firmware = record.firmware
    if record.seed is not None and not -MOST_SEED <= record.seed < MOST_SEED:
        raise DamagedRecord(record.folder, f"seed: expected a whole number of at most 63 bits, found {record.seed}")
    return {
        "started_utc": _spelled(record.started),
        "ended_utc": None if record.ended is None else _spelled(record.ended),
        "rig": visible(record.rig.name),
        "rig_sha256": visible(record.rig.sha256),
        "simulated": record.simulated,
        "board_id": visible(record.board.unique_id),
        "board_name": _visible_or_none(record.board.name),
        "firmware_name": None if firmware is None else visible(firmware.name),
        "firmware_version": None if firmware is None else visible(firmware.version),
        "firmware_sha256": _visible_or_none(record.hashes.firmware),
        "lot": _visible_or_none(record.lot),
        "seed": record.seed,
        "finished": record.finished,
        "exit_code": None if record.exit_code is None else int(record.exit_code),
    }


def _quantities(record: Record) -> list[Columns]:
    rows: dict[str, Columns] = {}
    for measured in record.measurement_entries:
        row = _row(rows, measured.name)
        row.update(value=measured.value, u=measured.u, unit=visible(measured.unit), dof=measured.dof)
    for result in record.unmeasured:
        _row(rows, result.name)["outcome"] = result.outcome.value
    for name, outcome in record.outcomes:
        _row(rows, name)["conformity" if outcome in REQUIRED else "outcome"] = outcome.value
    return list(rows.values())


def _row(rows: dict[str, Columns], name: str) -> Columns:
    """The row of a quantity, new where it is named for the first time."""
    name = visible(name)
    if name not in rows:
        full = Name(name)
        rows[name] = {
            "name": name,
            "check_name": full.check,
            "motor": full.motor,
            "value": None,
            "u": None,
            "unit": "",
            "dof": None,
            "outcome": None,
            "conformity": None,
        }
    return rows[name]


def _visible_or_none(words: str | None) -> str | None:
    return None if words is None else visible(words)


def _spelled(when: datetime) -> str:
    """A time of day in UTC, in one spelling, so that sorting text sorts time."""
    return when.isoformat(timespec="seconds")
