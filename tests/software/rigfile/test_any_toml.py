"""Whatever a file holds, the loader gives a spec or one-line problems: never another exception."""

import string

from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import RigFileError
from harness.rigfile import loads
from tests.examples import examples
from tests.software.rigfile.test_load import SLUICE

KEYS = st.sampled_from(
    [
        "rig",
        "board",
        "firmware",
        "limits",
        "supply",
        "driver",
        "motor",
        "instrument",
        "requirements",
        "detect",
        "clock",
        "leaf",
        "sensor",
        "load",
        "thermal",
        "value",
        "tolerance",
        "pole_pairs",
        "phase_pins",
        "enable_pin",
        "class",
        "address",
        "across",
        "port",
        "required",
        "name",
        "schema",
        "step.delay",
        "resistance_ohm",
        "voltage_v",
    ]
) | st.text(min_size=1, max_size=8)
LEAVES = (
    st.integers()
    | st.floats()
    | st.booleans()
    | st.text(max_size=12)
    | st.dates()
    | st.datetimes()
    | st.times()
    | st.sampled_from([10**400, -(10**400), "simulated:sluice", "simulated:a/b", "leaf.B", "supply", "multimeter"])
)
VALUES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=5), max_leaves=25
)


def toml(value: object) -> str:
    """A value as TOML; tables inline."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(key)} = {toml(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(entry) for entry in value) + "]"
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(mark):08x}" if not 0xD800 <= ord(mark) < 0xE000 else "?" for mark in value) + '"'
    if isinstance(value, int | float):
        return repr(value)
    return value.isoformat()  # type: ignore[attr-defined]


def judged(content: bytes) -> list[str]:
    try:
        loads(content, "any.toml")
    except RigFileError as error:
        assert error.problems
        for line in error.problems:
            assert line.startswith("any.toml: ")
            assert line.isprintable(), line
            assert len(line) < 2000
        return error.problems
    return []


@examples(300)
@given(st.dictionaries(KEYS, VALUES, max_size=8))
def test_any_table(table):
    judged("\n".join(f"{toml(key)} = {toml(value)}" for key, value in table.items()).encode())


@examples(150)
@given(st.binary(max_size=200))
def test_any_bytes(content):
    judged(content)


LINES = SLUICE.splitlines()
ENTRIES = [place for place, line in enumerate(LINES) if " = " in line and not line.startswith("#")]


@examples(300)
@given(st.sampled_from(ENTRIES), VALUES)
def test_any_value_at_any_entry_of_a_good_file(place, value):
    lines = list(LINES)
    lines[place] = f"{lines[place].split(' = ')[0]} = {toml(value)}"
    judged("\n".join(lines).encode())


@examples(150)
@given(st.sampled_from(ENTRIES), st.text(string.ascii_lowercase + "_", min_size=1, max_size=12))
def test_a_misspelt_key_is_always_named(place, letters):
    key, rest = LINES[place].split(" = ", 1)
    if not key.replace("_", "").isalnum():
        return
    lines = list(LINES)
    lines[place] = f"{key}{letters}_xq = {rest}"
    assert any(f"{key}{letters}_xq: unknown key" in line for line in judged("\n".join(lines).encode()))
