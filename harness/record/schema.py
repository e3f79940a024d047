"""What a record.json must have, and how an older one is read.

A new entry that every record will have goes into ABSENT, with what its absence says of a run made before it; a field
of a part gets its default in `entries`. An entry that changes its meaning takes a new SCHEMA, and a step in RAISES.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from harness.base.errors import RecordError
from harness.record.older import to_schema_2, to_schema_3

SCHEMA = 3
RAISES: Mapping[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: to_schema_2, 2: to_schema_3}
"""Of each older schema: what makes a record of the next one of it."""
NEEDED: Mapping[str, type] = {
    "finished": bool,
    "simulated": bool,
    "rig": dict,
    "planned": list,
    "observations": list,
    "measurements": list,
    "unmeasured": list,
    "expectations": list,
    "verdicts": list,
}
"""Entries that no record can do without, with their types."""
ABSENT: Mapping[str, Any] = {
    "board_seed": None,
    "causes": [],
    "curves": [],
    "diagnosis": None,
    "ended_utc": None,
    "exit_code": None,
    "gauge": None,
    "lot": None,
    "not_exercised": [],
    "plant_seed": None,
    "repeat": {},
    "running": None,
    "seed": None,
    "stop": None,
    "switched_off": None,
}
"""Entries that older records, or runs that did not end, lack, and what that says."""
PLAN: Mapping[str, Any] = {"planned": [], "required": [], "missing": [], "not_supervised": []}
"""Entries that follow the first write: a run that was killed in between has none, and planned nothing."""


def record_content(path: Path, data: bytes) -> Mapping[str, Any]:
    """What a record.json says, as one of this schema; `path` is for messages. Raises RecordError."""
    try:
        content = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{path}: damaged: not valid JSON ({error})") from error
    if not isinstance(content, dict) or not isinstance(content.get("schema"), int):
        raise RecordError(f"{path}: not a record: expected a schema number, found none")
    schema = content["schema"]
    if schema > SCHEMA:
        raise RecordError(f"{path}: schema {schema}, written by a newer rotorgate; this one reads up to {SCHEMA}")
    if schema < 1:
        raise RecordError(f"{path}: expected a schema number from 1, found {schema}")
    for older in range(schema, SCHEMA):
        content = RAISES[older](content)
    content = {**ABSENT, **({} if content.get("finished") else PLAN), **content}
    for key, kind in NEEDED.items():
        entry = content.get(key)
        if not isinstance(entry, kind):
            raise RecordError(f"{path}: damaged: expected {key} as {kind.__name__}, found {type(entry).__name__}")
    return content
