"""One byte changed, lost, repeated, late, or the last: what arrives is what was sent, or it is refused."""

from __future__ import annotations

import pytest

from harness.base.clock import WallClock
from harness.link.board import Board
from tests.conftest import is_quick
from tests.contracts.boards import running
from tests.contracts.disturbance import EXCHANGES, Line, disturbances

EVERY, EVERY_QUICK = 97, 1597
"""Bytes from one that is disturbed to the next; `python -m tests.contracts.disturbance` takes every one."""


@pytest.mark.parametrize("name", EXCHANGES)
def test_what_arrives_is_what_was_sent_or_is_refused(name: str, request: pytest.FixtureRequest) -> None:
    every = EVERY_QUICK if is_quick(request.config) else EVERY
    with running("stand-in") as terminal, Board.open(terminal, WallClock()) as board:
        line = Line(board)
        for disturbance in disturbances(line, name, every, 13 * len(name)):
            line.outcome(name, disturbance)
