"""The board's own guard: what it turns off, when, and that nothing turns it on again."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.software.device_scripts.board import ENABLES, PINS, Board, Drive

SPEED_12_BIT_1_RAD_S = 65
"""Counts in 100 ms of a sensor of 4096 counts a turn at 1 rad/s."""


def enables(board: Board) -> list[int]:
    return [board.level[pin] for pin in ENABLES]


def phases(board: Board) -> set[int]:
    return {board.level[pin] for three in PINS for pin in three}


def stopped(guard: Any, motor: int, count: int, at_us: int) -> tuple[object, ...]:
    """What the guard says to a reading; () if it lets it pass."""
    try:
        guard.check(motor, count, at_us)
    except Exception as error:
        assert type(error).__name__ == "Stop"
        (fields,) = error.args
        return tuple(fields)
    return ()


def test_each_bridge_is_off_at_its_own_level_from_the_start() -> None:
    board = Board()
    board.guard(Drive(board), enable_off=(1, 0))
    assert enables(board) == [1, 0]
    assert phases(board) == {0}


@pytest.mark.parametrize("way", ["silence", "off"])
def test_a_loop_that_switches_on_in_each_pass_stays_off(way: str) -> None:
    board = Board()
    drive = Drive(board, enable_on=(0, 1))
    guard = board.guard(drive, enable_off=(1, 0))
    drive.start(0)
    drive.start(1)
    board.pass_us(100_000)
    assert enables(board) == [0, 1], "the firmware holds both bridges on"
    if way == "off":
        guard.off()
    board.pass_us(500_000)
    assert enables(board) == [1, 0]
    assert phases(board) == {0}
    assert drive.running == [False, False]


def test_the_deadman_comes_in_its_time_and_each_line_puts_it_off() -> None:
    board = Board()
    guard = board.guard(Drive(board), deadman_ms=300)
    for _ in range(10):
        guard.listen(250)
    assert guard.reason == ()
    board.pass_us(299_000)
    assert guard.reason == ()
    board.pass_us(1000)
    with pytest.raises(Exception, match=r"^\('deadman',\)$"):
        guard.listen()
    with pytest.raises(Exception, match=r"^\('deadman',\)$"):
        guard.angle(0)


def test_an_invalid_reading_does_not_hide_the_deadman() -> None:
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive)
    drive.valid[0] = False
    board.pass_us(400_000)
    with pytest.raises(Exception, match="deadman"):
        guard.angle(0)


@pytest.mark.parametrize("broken", ["stop", "off"])
def test_the_deadman_needs_nothing_of_the_firmware(broken: str) -> None:
    board = Board()
    drive = Drive(board)
    seen: list[list[int]] = []

    def fails(_: int) -> None:
        seen.append(enables(board))
        raise MemoryError

    setattr(drive, broken, fails)
    board.guard(drive)
    drive.field(0, 0, 9000)
    board.pass_us(301_000)
    assert enables(board) == [0, 0]
    assert phases(board) == {0}
    assert seen == [[0, 0], [0, 0]], "pins before the firmware is called, and the other motor's turn all the same"


def test_firmware_without_a_loop_of_its_own_is_turned_off_too() -> None:
    board = Board()
    drive = Drive(board, pace="called")
    board.guard(drive).off()
    assert [words for _, words in drive.of("off")] == [(0,), (1,)]


def test_travel_is_each_motors_own() -> None:
    board = Board()
    guard = board.guard(Drive(board), hang=(100, 16300), travel=(50, 1000))
    assert stopped(guard, 0, 150, 0) == ()
    assert stopped(guard, 1, 900, 0) == (), "1000 counts away, across the end of the turn"
    assert stopped(guard, 1, 917, 0) == ("travel", 1, 1001, 1000)
    board = Board()
    guard = board.guard(Drive(board), hang=(100, 16300), travel=(50, 1000))
    assert stopped(guard, 0, 49, 0) == ("travel", 0, -51, 50)
    assert stopped(guard, 1, 16300, 0) == ("travel", 0, -51, 50), "the reason stands"


def test_travel_is_not_limited_where_either_number_is_missing() -> None:
    board = Board()
    guard = board.guard(Drive(board), hang=(None, 0), travel=(5, None))
    assert stopped(guard, 0, 5000, 0) == stopped(guard, 1, 5000, 0) == ()


def test_speed_is_each_motors_own() -> None:
    board = Board()
    guard = board.guard(Drive(board), speed=(1000, 10000))
    for motor in (0, 1):
        assert stopped(guard, motor, 0, 0) == ()
    assert stopped(guard, 1, 200, 4000) == ()
    assert stopped(guard, 0, 200, 4000) == ("speed", 0, 200, 4000, 1000)


@given(
    share=st.floats(-0.9, 0.9), every_ms=st.integers(1, 300), limit=st.integers(16, 20000), start=st.integers(0, 4095)
)
def test_below_the_limit_nothing_stops(share: float, every_ms: int, limit: int, start: int) -> None:
    board = Board()
    guard = board.guard(Drive(board, turn=4096), speed=(limit, limit))
    for number in range(40):
        us = number * every_ms * 1000
        flicker = number % 2 if limit < 2000 else 0
        count = (start + int(share * limit * us / 100_000) + flicker) % 4096
        assert stopped(guard, 0, count, us) == ()


@given(
    share=st.floats(1.3, 3.0), every_ms=st.integers(1, 300), limit=st.integers(16, 20000), way=st.sampled_from([-1, 1])
)
def test_above_the_limit_it_stops_however_seldom_the_shaft_is_read(
    share: float, every_ms: int, limit: int, way: int
) -> None:
    step = share * limit * every_ms / 100
    if not 0.0 < step < 2047 or limit * every_ms > 4096 * 30:
        return  # a whole turn between two readings: nobody can tell
    board = Board()
    guard = board.guard(Drive(board, turn=4096), speed=(limit, limit))
    needed = 2 + max(2, int(25 * 100 / limit / every_ms * 100))
    said = [stopped(guard, 0, int(way * step * number) % 4096, number * every_ms * 1000) for number in range(needed)]
    assert any("speed" in words for words in said)


def test_a_slow_limit_on_a_coarse_sensor_is_met() -> None:
    for rad_s, stops in ((0.9, False), (1.2, True)):
        board = Board()
        guard = board.guard(Drive(board, turn=4096), speed=(SPEED_12_BIT_1_RAD_S,) * 2)
        said = [stopped(guard, 0, int(rad_s * 4096 / 6.2832 * ms / 1000), ms * 1000) for ms in range(300)]
        assert any(said) is stops, rad_s


def test_a_reading_counts_from_when_it_was_true() -> None:
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive, speed=(10000, 10000))
    guard.check(0, 0, 1000)
    board.us, drive.count[0], drive.age = 1950, 0, 950  # the reading of 1000 us, looked at later
    guard.angle(0)
    guard.check(0, 160, 3000)  # 80 counts a ms; from 1950 us on it would be 152, over the limit of 100
    assert guard.reason == ()


def test_a_reading_of_the_past_is_no_speed() -> None:
    board = Board()
    guard = board.guard(Drive(board), speed=(1000, 1000))
    guard.check(0, 0, 5000)
    guard.check(0, 300, 4000)
    guard.check(0, 15, 7000)
    assert guard.reason == ()


def test_a_sensor_that_is_gone_stops_and_one_that_comes_back_does_not() -> None:
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive)
    drive.valid[1] = False
    for _ in range(19):
        guard.angle(1)
    drive.valid[1] = True
    guard.angle(1)
    drive.valid[1] = False
    for _ in range(19):
        guard.angle(1)
    with pytest.raises(Exception, match=r"^\('sensor', 1, 20\)$"):
        guard.angle(1)
    assert enables(board) == [0, 0]
