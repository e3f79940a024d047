"""What a store keeps of a record: the rows of its tables, made from record.json. Nothing else knows both."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from harness.base.errors import RecordError
from harness.base.words import visible
from harness.nouns.names import Name
from harness.nouns.results import Outcome
from harness.record.read import parsed, text_of
from harness.store.raw import digest

Row = dict[str, Any]

CONFORMITY = frozenset({Outcome.CONFORMING, Outcome.NONCONFORMING, Outcome.UNDECIDED})
"""Words of a verdict against a requirement; the others are against a model, or say why there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """A record as rows without a run's id, and its raw files by their SHA-256."""

    run: Row
    json: bytes
    quantities: list[Row]
    observations: list[Row]
    raw: Mapping[str, bytes]


def rows_of(folder: Path) -> Rows:
    """The rows of the record in a folder, having read every observation.

    Raises RecordError where it lacks what a store needs.

    `uid` is the SHA-256 of its record.json and of its observations' names and hashes: the same record is the same run
    wherever it is kept from, and nothing in it can change unseen.
    """
    path, text = text_of(folder)
    record = parsed(path, text)
    record.observations()  # each must be readable now: later would be too late
    raw: dict[str, bytes] = {}
    observations: list[Row] = []
    for entry in record.content["observations"]:
        data = record.raw(entry)
        sha256 = digest(data)
        raw[sha256] = data
        observations.append({"name": str(entry["name"]), "sha256": sha256})
    try:
        if len({row["name"] for row in observations}) < len(observations):
            raise ValueError("two observations of one name")
        hashes = "".join(f"\n{row['name']} {row['sha256']}" for row in observations).encode(errors="backslashreplace")
        return Rows(
            run={"uid": digest(text + hashes), **_run(record.content)},
            json=zlib.compress(text),
            quantities=_quantities(record.content),
            observations=[{**row, "name": visible(row["name"])} for row in observations],
            raw=raw,
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        what = f"expected {error} in it" if isinstance(error, KeyError) else str(error)
        raise RecordError(f"{visible(str(record.folder))}: damaged record, not kept: {what}") from error


def text_from(data: bytes) -> bytes:
    """record.json again, from its row. Raises zlib.error where that is damaged."""
    return zlib.decompress(data)


def _run(content: Mapping[str, Any]) -> Row:
    declared: Mapping[str, Any] = next(iter(content.get("declared", {}).values()), {})
    return {
        "started_utc": _utc(content["started_utc"]),
        "ended_utc": None if content.get("ended_utc") is None else _utc(content["ended_utc"]),
        "rig": _text(content["rig"]["name"]),
        "rig_sha256": _text(content["rig"]["sha256"]),
        "virtual": content["virtual"],
        "board_id": _text(content["board"]["unique_id"]),
        "board_name": _text_or_none(content["board"].get("name")),
        "firmware_name": _text_or_none(declared.get("name")),
        "firmware_version": _text_or_none(declared.get("version")),
        "firmware_sha256": _text_or_none(content.get("hashes", {}).get("firmware")),
        "lot": _text_or_none(content.get("lot")),
        "seed": _whole_or_none(content.get("seed")),
        "finished": content["finished"],
        "exit_code": _whole_or_none(content.get("exit_code")),
    }


def _quantities(content: Mapping[str, Any]) -> list[Row]:
    rows: dict[str, Row] = {}
    for entry in content["measurements"]:
        row = _row(rows, entry["name"])
        row.update(value=_number(entry["value"]), u=_number(entry["u"]), unit=_text(entry["unit"]))
        row["dof"] = None if entry["dof"] is None else _number(entry["dof"])
    for entry in content["unmeasured"]:
        _row(rows, entry["name"])["outcome"] = Outcome(entry["outcome"]).value
    for entry in content["verdicts"]:
        outcome = Outcome(entry["outcome"])
        _row(rows, entry["name"])["conformity" if outcome in CONFORMITY else "outcome"] = outcome.value
    return list(rows.values())


def _row(rows: dict[str, Row], name: Any) -> Row:
    """The row of a quantity, new where it is named for the first time."""
    name = _text(name)
    if name not in rows:
        rows[name] = {
            "name": name,
            "check_name": Name(name).check,
            "motor": Name(name).motor,
            "value": None,
            "u": None,
            "unit": "",
            "dof": None,
            "outcome": None,
            "conformity": None,
        }
    return rows[name]


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"expected a number, found {visible(repr(value)[:40])}")
    return float(value)


def _whole_or_none(value: Any) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not -(2**63) <= value < 2**63:
        raise ValueError(f"expected a whole number of at most 63 bits, found {visible(repr(value)[:40])}")
    return value


def _text(value: Any) -> str:
    """Text as a column takes it; characters that no database or terminal should meet are written out."""
    if not isinstance(value, str):
        raise TypeError(f"expected text, found {visible(repr(value)[:40])}")
    return value if value.isprintable() else visible(value)


def _text_or_none(value: Any) -> str | None:
    return None if value is None else _text(value)


def _utc(value: Any) -> str:
    """A time of day in UTC, in one spelling, so that sorting text sorts time."""
    when = datetime.fromisoformat(_text(value))
    if when.tzinfo is None:
        raise ValueError(f"expected a time with its zone, found {value}")
    return when.astimezone(UTC).isoformat(timespec="seconds")
