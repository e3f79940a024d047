"""Bench and board take turns: each sleeps until the other has told it."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigs_demo.board.turns import Turns


class Pair:
    """The bench's side, and the ends that a board would have."""

    def __init__(self) -> None:
        self.turns = Turns()
        self.asking, self.answers = os.dup(self.turns.asking), os.dup(self.turns.answers)
        self.turns.started(os.getpid())
        self.bench_line, self.board_line = socket.socketpair()

    def wait(self) -> bool | None:
        return self.turns.wait(self.bench_line, 0)

    def close(self) -> None:
        os.close(self.answers)
        self.bench_line.close()
        self.board_line.close()
        self.turns.close()


@pytest.fixture
def pair() -> Iterator[Pair]:
    processors = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    both = Pair()
    yield both
    both.close()
    if processors is not None:
        os.sched_setaffinity(0, processors)  # the test's own process was the board


def test_a_request_is_told_once_output_wakes_without_one_and_an_end_is_an_end(pair: Pair) -> None:
    assert pair.wait() is False
    os.write(pair.asking, b".")
    assert pair.wait() is True
    assert pair.wait() is False
    pair.board_line.send(b">>> ")
    assert pair.turns.wait(pair.bench_line, 60.0) is False, "output ends the wait, and is no request"
    os.close(pair.asking)
    assert pair.wait() is None


@given(st.lists(st.booleans(), max_size=30))
def test_no_request_is_lost_and_none_is_made_up(asks: list[bool]) -> None:
    processors = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    pair = Pair()
    try:
        waiting = 0
        for ask in asks:
            if ask:
                os.write(pair.asking, b".")
                waiting += 1
            else:
                assert pair.wait() is (waiting > 0)
                waiting = 0
        for _ in asks:
            pair.turns.answered()
        assert len(os.read(pair.answers, 64) if asks else b"") == len(asks)
    finally:
        os.close(pair.asking)
        pair.close()
        if processors is not None:
            os.sched_setaffinity(0, processors)


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system does not keep a process on a processor")
def test_the_board_is_kept_where_its_bench_runs(pair: Pair) -> None:
    everywhere = os.sched_getaffinity(0)
    pair.wait()
    kept = os.sched_getaffinity(0)
    assert len(kept) == 1
    assert kept <= everywhere
