"""A busy loop ends at the limit of travel that was drawn for it, and at no other reason is that said."""

from __future__ import annotations

import types
from typing import Any

import pytest

from tests.software.device_scripts.board import PINS, Board, Drive

AWAY = 400
"""Counts of the set point from where the shaft rests: the limit lies at a quarter of it."""


def limited(counts_a_ms: int, away: int = AWAY, **limits: object) -> tuple[Board, Any]:
    """A shaft that leaves its place at a steady pace as soon as it is told to."""
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive, **limits)
    board.loaded["pins"] = types.SimpleNamespace(live=lambda *_: [])  # type: ignore[assignment]
    board.loaded["traced_loop"] = board.load("traced_loop")
    ends = board.load("conduct_ends")

    def follows() -> None:
        set_points = drive.of("set_point")
        if set_points and set_points[-1][1][1] == away:
            drive.count[0] = min(drive.count[0] + counts_a_ms, away)

    board.every_ms = follows
    ends.limited(guard, 0, PINS[0], 6, 0, away, 300)
    return board, guard


def test_a_loop_that_goes_beyond_the_limit_is_stopped_there_and_the_limits_are_what_they_were():
    board, guard = limited(4, hang=(3000, None), travel=(5000, None))
    ((name, (stopped, away)),) = board.events
    assert (name, stopped) == ("limit", 1)
    assert AWAY // 4 < away <= AWAY // 4 + 8
    assert guard.limits.narrow(0, None, None) == (3000, 5000)


def test_a_loop_that_stands_still_comes_to_no_limit():
    board, _ = limited(0)
    assert board.events == [("limit", [0, 0])]


def test_a_stop_for_another_reason_is_no_limit_of_travel():
    with pytest.raises(Exception, match=r"^\('speed', 0, "):
        limited(1000, 16000, speed=(2000, 2000))
