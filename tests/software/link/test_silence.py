"""A board that falls silent: nobody waits for it for longer than a step of making safe may take."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.base.errors import BenchError, LinkTimeout
from harness.bench.safe import DEAF_S, STEP_LIMIT_S
from harness.link.board import Board
from harness.link.console import SAFE_S
from harness.link.protocol import ScriptEnd
from harness.link.run import ScriptRun


class Silence:
    """A port that takes everything and says nothing, and the clock that its waits move."""

    url = "silent"

    def __init__(self) -> None:
        self.clock = self
        self.at_s = 0.0
        self.written = b""

    def now_s(self) -> float:
        return self.at_s

    def read(self, deadline_s: float) -> bytes:
        self.at_s = max(self.at_s, deadline_s)
        return b""

    def write(self, data: bytes) -> None:
        self.written += data

    def unlisten(self) -> None:
        """Nobody listens."""


def failed(run: ScriptRun) -> None:
    with pytest.raises(LinkTimeout, match="script did not give a frame within 2 s"):
        run.next_frame(2.0)


def left_by_an_error(run: ScriptRun) -> None:
    with pytest.raises(KeyError), run:
        raise KeyError


def left_early(run: ScriptRun) -> None:
    with pytest.raises(LinkTimeout, match="no raw prompt within 1 s"), run:
        pass


@pytest.mark.parametrize(("end", "waited_s"), [(failed, 2.0), (left_by_an_error, 0.0), (left_early, 0.0)])
def test_a_silent_board_is_given_up_within_the_time_of_a_step(
    end: Callable[[ScriptRun], None], waited_s: float
) -> None:
    port = Silence()
    end(ScriptRun(Board(port)))  # type: ignore[arg-type]
    assert b"\x03" in port.written
    assert port.at_s <= waited_s + STEP_LIMIT_S


def test_a_question_that_is_not_answered_likewise() -> None:
    port = Silence()
    board = Board(port)  # type: ignore[arg-type]
    with pytest.raises(LinkTimeout, match="script not over within 3 s"):
        board._until(ScriptEnd, 3.0, "script")
    assert port.at_s <= 3.0 + STEP_LIMIT_S


def test_a_second_signal_is_not_heard_before_all_steps_have_had_their_time() -> None:
    # An interrupt and the making safe after it, at the script; then the phases and the supply, at the end.
    assert DEAF_S > 2 * SAFE_S + 2 * STEP_LIMIT_S


def test_a_bench_that_fails_while_the_board_is_got_back_does_not_hide_what_went_wrong_first() -> None:
    class Failing(Silence):
        def write(self, data: bytes) -> None:
            raise BenchError("only 3 of 5 bytes arrived")

    with pytest.raises(KeyError), ScriptRun(Board(Failing())):  # type: ignore[arg-type]
        raise KeyError
