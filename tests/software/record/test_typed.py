"""Nobody outside the room of the record knows a key of record.json."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.record import Record, read

ROOT = Path(__file__).resolve().parents[3]
OLD = Path(__file__).parent / "schema_1_of_2026_11_29"
OTHERS = {
    "harness/rigfile/crosscheck.py": {"required"},  # of a rig file
    "harness/study/kept.py": {"instruments"},  # of a study
    "harness/store/baselines.py": {"simulated"},  # of rows
    "harness/store/store.py": {"started_utc"},
    "harness/store/studies.py": {"_content"},  # a method of its own
}
"""Keys of the same name that are looked up in something else."""


def looked_up(source: str) -> Iterator[str]:
    """Keys that a module looks up by a word: `x["key"]`, `x.get("key")`; and `_content`, which holds them."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant):
            yield str(node.slice.value)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args:
            key = node.args[0]
            if node.func.attr in ("get", "pop", "setdefault") and isinstance(key, ast.Constant):
                yield str(key.value)
        if isinstance(node, ast.Attribute) and node.attr == "_content":
            yield node.attr


def test_keys_of_a_record_are_looked_up_in_its_room_only() -> None:
    """By the keys that a record really has."""
    keys = {*json.loads((OLD / "record.json").read_bytes()), "simulated", "_content"}
    found = {
        path.relative_to(ROOT).as_posix(): known
        for path in sorted((ROOT / "harness").rglob("*.py"))
        if path.parent != ROOT / "harness" / "record"
        and (known := keys & set(looked_up(path.read_text(encoding="utf-8"))))
    }
    assert found == OTHERS


@pytest.mark.parametrize("words", ['record["verdicts"]', 'content.get("stop")', "record._content"])
def test_such_a_look_is_seen(words: str) -> None:
    """Each way to take a record apart."""
    assert set(looked_up(words)) & {"verdicts", "stop", "_content"}


def test_no_property_hands_out_json() -> None:
    """What stands in a record is objects with names; the rig file alone is also given as TOML has it."""
    record = read(OLD)
    names = [name for name in dir(Record) if not name.startswith("_") and name not in ("sections", "spec")]
    for name in names:
        value = getattr(record, name)
        several = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else [value]
        for inner in several:
            assert not isinstance(inner, dict | list), name
