"""Conditions are read as what they are, and one that is something else says so by name."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.base.errors import MeasurementError
from harness.nouns.observation import Conditions, Description

GIVEN: Conditions = {
    "amplitude": 0.6,
    "start": 5209,
    "pace": "own",
    "idle_a": [0.0486, 0.0485],
    "offsets": [-169, 414],
    "supply": [[12.0, 0.31], [12.01, 0.3]],
    "volts": {"0": [12.0, 12.1], "1": []},
    "room_c": None,
    "on": True,
}


def stated(conditions: Conditions = GIVEN) -> Description:
    """An observation's description."""
    return Description(name="leaf.step.trace", columns=(), conditions=conditions)


def test_each_reader_gives_its_kind() -> None:
    """Whole numbers are numbers too; what no instrument read is not stated."""
    seen = stated()
    assert seen.number("amplitude") == 0.6
    assert seen.number("start") == 5209.0
    assert seen.whole("start") == 5209
    assert seen.text("pace") == "own"
    assert seen.numbers("idle_a") == [0.0486, 0.0485]
    assert seen.wholes("offsets") == [-169, 414]
    assert seen.rows("supply") == [[12.0, 0.31], [12.01, 0.3]]
    assert seen.series("volts") == {"0": [12.0, 12.1], "1": []}
    assert [seen.states(name) for name in ("amplitude", "room_c", "never")] == [True, False, False]


@pytest.mark.parametrize(
    ("read", "condition", "words"),
    [
        (Description.number, "room_c", "expected a number, found nothing"),
        (Description.number, "on", "expected a number, found True"),
        (Description.number, "pace", "expected a number, found 'own'"),
        (Description.whole, "amplitude", "expected a whole number, found 0.6"),
        (Description.whole, "on", "expected a whole number, found True"),
        (Description.text, "start", "expected text, found 5209"),
        (Description.numbers, "pace", "expected a list, found 'own'"),
        (Description.numbers, "supply", r"expected a number, found \[12.0, 0.31\]"),
        (Description.wholes, "idle_a", "expected a whole number, found 0.0486"),
        (Description.rows, "idle_a", "expected a list, found 0.0486"),
        (Description.series, "idle_a", "expected lists of numbers by name, found"),
        (Description.series, "room_c", "expected lists of numbers by name, found nothing"),
    ],
)
def test_another_kind_names_observation_and_condition(
    read: Callable[[Description, str], object], condition: str, words: str
) -> None:
    """One line: where, expected, found."""
    with pytest.raises(MeasurementError, match=f"^leaf.step.trace: condition {condition}: {words}"):
        read(stated(), condition)


def test_an_absent_one_names_those_there_are() -> None:
    """As for a column."""
    with pytest.raises(MeasurementError, match=r"^leaf.step.trace: no condition clip; it has pace$"):
        stated({"pace": "own"}).number("clip")
    with pytest.raises(MeasurementError, match=r"no condition clip; it has none$"):
        stated({}).number("clip")
