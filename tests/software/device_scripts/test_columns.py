"""Columns of samples hold whatever the drive contract lets occur: older boards cut off what is too large, silently."""

from __future__ import annotations

import struct

import pytest

from harness.nouns.contract import FULL_AMPLITUDE
from tests.software.device_scripts.board import Board

LAST_COUNT = (1 << 24) - 1
"""Of the finest sensor that the contract allows."""


@pytest.mark.parametrize(
    ("script", "column", "ends"),
    [
        ("loop", "count", (0, LAST_COUNT)),
        ("loop", "demand", (-FULL_AMPLITUDE, FULL_AMPLITUDE)),
        ("fields", "count", (0, LAST_COUNT)),
        ("fields", "amplitude", (0, FULL_AMPLITUDE)),
        ("pair", "count", (0, LAST_COUNT)),
        ("pair", "target", (0, LAST_COUNT)),
    ],
)
def test_a_column_holds_the_ends_of_what_can_occur(script: str, column: str, ends: tuple[int, int]) -> None:
    codes = {name: code for name, _, code in Board().load(script).COLUMNS}
    for end in ends:
        assert struct.unpack(f"<{codes[column]}", struct.pack(f"<{codes[column]}", end)) == (end,)


@pytest.mark.parametrize("demand", [-FULL_AMPLITUDE, FULL_AMPLITUDE])
def test_a_pass_waits_to_be_sent_as_it_was_traced(demand: int) -> None:
    trace = Board().load("loop")._Trace()
    trace.hook(1, LAST_COUNT, demand)
    assert (trace.ticks[0], trace.count[0], trace.demand[0]) == (1, LAST_COUNT, demand)
