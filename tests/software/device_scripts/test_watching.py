"""While a motor is held its shaft is looked at, whatever the host wants to have sampled."""

from __future__ import annotations

import itertools

import pytest

from tests.software.device_scripts.board import ENABLES, Board, Drive


def longest_gap_us(drive: Drive, begin_us: int, end_us: int) -> int:
    at = [begin_us, *(us for us, _ in drive.of("angle") if begin_us <= us <= end_us), end_us]
    return max(after - before for before, after in itertools.pairwise(at))


def ramp(sample_ms: int, pace: str = "own") -> tuple[Board, Drive]:
    """A field brought round in 2.4 s, as the first energising of a motor."""
    board = Board()
    drive = Drive(board, pace=pace)
    board.orders = [
        (0, f"s {sample_ms}".encode()), (10_000, b"f 30000 9000 2400 400 0"), (2_600_000, b"o"), (2_700_000, b"q"),
    ]  # fmt: skip
    board.load("fields").serve(board.guard(drive), 0)
    return board, drive


@pytest.mark.parametrize("pace", ["own", "called"])
def test_a_field_without_rows_is_watched_every_tick(pace: str) -> None:
    board, drive = ramp(0, pace)
    assert longest_gap_us(drive, 20_000, 2_600_000) <= 4000
    assert not board.rows
    assert not [us for us, _ in drive.of("angle") if us > 2_610_000], "nothing is held, nothing sampled"


@pytest.mark.parametrize("sample_ms", [4, 8, 100])
def test_rows_come_at_their_period_and_the_field_knows_nothing_of_them(sample_ms: int) -> None:
    silent, watched = ramp(0)
    board, drive = ramp(sample_ms)
    assert drive.of("field") == watched.of("field")
    assert len(drive.of("field")) > 100
    times = [row[0] for row in board.rows]
    assert {later - sooner for sooner, later in itertools.pairwise(times)} == {sample_ms * 1000}  # type: ignore[operator]
    assert not silent.rows


def test_a_shaft_that_runs_away_in_a_ramp_without_rows_is_stopped() -> None:
    board = Board()
    drive = Drive(board)
    board.orders = [(0, b"s 0"), (10_000, b"f 30000 9000 2400 400 0"), (2_600_000, b"q")]

    def runs_away() -> None:
        drive.count[0] = max(0, board.us - 500_000) // 1000 * 50 % 16384

    board.every_ms = runs_away
    with pytest.raises(Exception, match=r"^\('speed', 0, .*, 2000\)$"):
        board.load("fields").serve(board.guard(drive, speed=(2000, 2000)), 0)
    assert board.us < 600_000
    assert board.level[ENABLES[0]] == 0


@pytest.mark.parametrize("pace", ["own", "called"])
def test_the_firmwares_loop_is_watched_without_rows(pace: str) -> None:
    board = Board()
    drive = Drive(board, pace=pace)
    board.orders = [(0, b"s 0"), (10_000, b"l"), (20_000, b"p 500 1000 100"), (1_500_000, b"q")]
    board.load("fields").serve(board.guard(drive), 0)
    assert longest_gap_us(drive, 10_000, 1_500_000) <= 4000


@pytest.mark.parametrize("pace", ["own", "called"])
@pytest.mark.parametrize("dies_us", [0, 5_000, 200_000])
def test_a_sensor_that_dies_in_the_loop_is_seen(pace: str, dies_us: int) -> None:
    board = Board()
    drive = Drive(board, pace=pace)
    own = drive._own_loop

    def each_ms() -> None:
        own()
        drive.valid[0] = board.us < dies_us

    board.every_ms = each_ms
    with pytest.raises(Exception, match=r"^\('sensor', 0, 20\)$"):
        board.load("loop").steps(board.guard(drive), 0, (100, 0), 2)
    assert board.us < dies_us + 60_000
    assert board.level[ENABLES[0]] == 0
    assert drive.hooks[0] is None


@pytest.mark.parametrize("pace", ["own", "called"])
def test_a_loop_that_makes_no_passes_is_given_up(pace: str) -> None:
    board = Board()
    drive = Drive(board, pace=pace)
    drive.passes = False
    with pytest.raises(Exception, match=r"^\('loop', 0, 0, 1200\)$"):
        board.load("loop").steps(board.guard(drive), 0, (100, 0), 2)
    assert board.us < 1_300_000
    assert board.level[ENABLES[0]] == 0


@pytest.mark.parametrize("pace", ["own", "called"])
def test_a_healthy_loop_comes_to_its_end(pace: str) -> None:
    board = Board()
    drive = Drive(board, pace=pace)
    board.load("loop").steps(board.guard(drive, speed=(16000, 16000)), 0, (100, 0), 2)
    assert board.events[-1] == ("done", 2)
    assert len(board.rows) > 60


@pytest.mark.parametrize("pace", ["own", "called"])
def test_motors_that_rest_after_their_rise_are_watched(pace: str) -> None:
    board = Board()
    drive = Drive(board, pace=pace)
    board.orders = [(0, b"n")] + [(at, b"n") for at in range(1_000_000, 9_000_000, 100_000)]
    board.load("pair").hold(board.guard(drive), (50, 60), rest_ms=400)
    alone = [us for us, words in drive.of("set_point") if words[0] == 0]
    assert longest_gap_us(drive, alone[0], alone[0] + 1_250_000) <= 10_000, "500 and 400 ms of rise, 400 of rest"
