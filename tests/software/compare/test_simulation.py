"""Rates of wrong findings, few here; `python -m tests.software.compare.simulation` writes them all."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.compare.difference import Finding
from tests.software.compare.simulation import (
    BENCHES,
    Bench,
    boards_with,
    body,
    change_points,
    mean_run_length,
    quantities_with,
)
from tests.software.judge.simulation import interval


@pytest.mark.parametrize("words", ["same meter, 6 mountings", "meter exchanged", "2 runs a mounting"])
def test_unchanged_boards_are_hardly_ever_different(words: str) -> None:
    bench = replace(BENCHES[words], quantities=4)
    assert interval(boards_with(Finding.DIFFERENT, bench, 150), 150)[0] < 0.01


def test_the_simulation_can_fail() -> None:
    """A meter that is exchanged and taken for the same one makes unchanged boards different."""
    honest = Bench(quantities=4, mountings=10, meter_half=20.0, exchanged=True)
    assert boards_with(Finding.DIFFERENT, honest, 50) == 0
    assert boards_with(Finding.DIFFERENT, replace(honest, mistaken=True), 50) > 20


def test_a_board_off_by_its_margin_is_hardly_ever_equivalent() -> None:
    hits = quantities_with(Finding.EQUIVALENT, Bench(quantities=4, margin=12.0), 100, 12.0)
    assert interval(hits, 400)[0] < 0.05 and hits > 0


def test_power_is_what_it_is_stated_to_be() -> None:
    bench = Bench(quantities=4, reading_s=0.0, margin=6.0)
    low, high = interval(quantities_with(Finding.DIFFERENT, bench, 150, 6.0), 600, z=3.3)
    assert low < bench.power() < high
    assert 0.2 < bench.power() < 0.98


def test_an_average_runs_as_long_as_stated() -> None:
    assert mean_run_length(250, 30.0) == pytest.approx(30.0, rel=0.2)


def test_change_points_are_found_as_rarely_as_stated_where_there_are_none() -> None:
    low, high = interval(change_points(600, 12, 0.05), 600)
    assert low < 0.05 and high > 0.01


def test_the_table_names_every_rate() -> None:
    tables = body(6)
    assert tables.count("| at most 1 % |") == len(BENCHES)
    assert tables.count("| at most 5 % |") == 4
    assert "| 30 | 4.3 |" in tables
