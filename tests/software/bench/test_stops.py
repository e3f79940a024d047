"""What the board's guard says, in a person's words, and what kind of trouble it is."""

from __future__ import annotations

import pytest

from harness.base.errors import BenchError, StoppedByBoard
from harness.bench.stops import in_words, stopped
from tests.software.bench.test_source import spec


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("motor 0: speed: 157 counts in 1000 us, limit 15646 in 100 ms", "leaf: speed 60.2 rad/s, limit 60 rad/s"),
        ("motor 1: speed: -300 counts in 1500 us, limit 15646 in 100 ms", "wheel: speed 76.7 rad/s, limit 60 rad/s"),
        (
            "motor 1: travel: -6300 counts from hanging, limit 6258",
            "wheel: travel -2.42 rad from hanging, limit 2.4 rad",
        ),
        ("wheel: motor 1: sensor: 20 readings in a row not valid", "wheel: sensor: 20 readings in a row not valid"),
        ("motor 7: travel: 1 counts from hanging, limit 1", "motor 7: travel: 1 counts from hanging, limit 1"),
        ("phase current 1.2 A, limit 1 A",) * 2,
    ],
)
def test_stops_are_told_in_the_units_of_the_rig_file(said, words):
    assert in_words(said, spec()) == words


def test_a_limit_is_the_board_s_and_a_silent_host_is_the_bench_s():
    assert isinstance(stopped("motor 0: travel: 1 counts from hanging, limit 1"), StoppedByBoard)
    silent = stopped("deadman: the host was silent")
    assert isinstance(silent, BenchError)
    assert "raise board.deadman_s" in str(silent)
