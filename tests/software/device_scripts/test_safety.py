"""The board's own guard: what it turns off, when, and that nothing turns it on again."""

from __future__ import annotations

import types
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
    with pytest.raises(Exception, match=r"^\('deadman', 300\)$"):
        guard.listen()
    with pytest.raises(Exception, match=r"^\('deadman', 300\)$"):
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


class Slow(Drive):
    """Firmware that takes its time, or raises, where it is asked to."""

    slow_ms: dict[str, int] = {}  # noqa: RUF012
    raises: str = ""

    def _linger(self, name: str) -> None:
        self.board.pass_us(self.slow_ms.get(name, 0) * 1000)
        if self.raises == name:
            raise ValueError(name)

    def start(self, motor: int) -> None:
        super().start(motor)
        self._linger("start")

    def off(self, motor: int) -> None:
        super().off(motor)
        self._linger("off")


@pytest.mark.parametrize(("name", "at_ms"), [("start", 101), ("start", 900), ("off", 101), ("off", 900)])
def test_a_function_that_returns_late_is_said_with_its_time_whether_the_deadman_fell_or_not(
    name: str, at_ms: int
) -> None:
    board = Board()
    drive = Slow(board)
    guard = board.guard(drive)
    drive.slow_ms = {name: at_ms}
    call = guard.start if name == "start" else guard.release
    with pytest.raises(Exception, match=rf"^\('{name}_time', 1, {at_ms}, 100\)$"):
        call(1)
    assert enables(board) == [0, 0]


def test_a_function_that_returns_in_time_is_not_mentioned(capsys: pytest.CaptureFixture[str]) -> None:
    board = Board()
    drive = Slow(board)
    guard = board.guard(drive)
    drive.slow_ms = {"start": 100, "off": 100}
    guard.start(0)
    guard.release(0, True)
    guard.close()
    assert (capsys.readouterr().out, board.raised) == ("", [])


def test_what_the_end_of_a_script_brings_out_is_printed_when_the_motors_are_off(
    capsys: pytest.CaptureFixture[str],
) -> None:
    board = Board()
    drive = Slow(board)
    guard = board.guard(drive)
    drive.slow_ms, drive.raises = {"off": 150}, "off"
    guard.listen()
    board.pass_us(2_000_000)
    guard.reason = ()
    guard.close()
    assert enables(board) == [0, 0]
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "Stop: ('off_time', 0, 150, 100)"
    assert said[-1] == "Away: (2300,)", "2 s, and what the deadman's own call of off took for two motors"
    assert [str(error) for error in board.raised] == ["off"]
    guard.close()
    assert len(board.raised) == 2, "the second time only what is new"


@pytest.mark.parametrize("end", ["off", "release"])
def test_an_interrupt_amid_an_off_of_the_firmware_keeps_nothing_on_and_the_next_off_asks_again(end: str) -> None:
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive)
    for motor in (0, 1):
        guard.start(motor)
    off, asked = drive.off, []

    def interrupted(motor: int) -> None:
        asked.append(motor)
        if len(asked) == 1:
            raise KeyboardInterrupt
        off(motor)

    vars(guard)["_ends"] = (drive.stop, interrupted)
    with pytest.raises(KeyboardInterrupt):
        guard.off() if end == "off" else guard.release(0)
    if end == "off":
        assert enables(board) == [0, 0]
    guard.close()
    assert asked == [0, 0, 1]
    board.pass_us(50_000)
    assert enables(board) == [0, 0], "no loop is left that switches on again"


def test_firmware_that_is_caught_in_its_own_off_is_not_asked_again() -> None:
    board = Board()
    drive = Slow(board)
    guard = board.guard(drive)
    drive.slow_ms = {"off": 900}
    with pytest.raises(Exception, match="off_time"):
        guard.release(0)
    assert [at for at, _ in drive.of("off")][:2] == [0, 900_000], "the deadman at 300 ms did the pins alone"


def test_a_loop_that_makes_no_pass_is_stopped_and_one_that_does_is_left_alone() -> None:
    for passes in (True, False):
        board = Board()
        drive = Drive(board)
        guard = board.guard(drive)
        drive.passes = passes
        guard.start(0)
        for _ in range(100):
            guard.listen()
            guard.angle(0)
            board.pass_us(10_000)
        if passes:
            guard.angle(0)
            assert drive.hooks == [None, None]
            continue
        board.pass_us(10_000)
        with pytest.raises(Exception, match=r"^\('no_pass', 0, 10\d0\)$"):
            guard.angle(0)
        assert drive.running == [False, False]


@pytest.mark.parametrize(("every_ms", "stops"), [(2, False), (3, True)])
def test_a_loop_whose_passes_come_much_later_than_its_period_is_stopped(every_ms: int, stops: bool) -> None:
    board = Board()
    drive = Drive(board)
    guard = board.guard(drive)
    guard.start(0)
    own = board.every_ms
    assert own is not None
    board.every_ms = lambda: own() if board.us // 1000 % every_ms == 0 else None
    words = ""
    try:
        for _ in range(100):
            guard.angle(0)
            guard.listen()
            board.pass_us(5000)
    except Exception as error:
        words = str(error)
    assert words == ("('late_pass', 0, 3000, 1000)" if stops else "")


def test_a_deadman_that_fell_while_the_board_was_away_says_so() -> None:
    board = Board()
    guard = board.guard(Drive(board))
    guard.listen()
    board.pass_us(420_000)
    with pytest.raises(Exception, match=r"^\('deadman', 300\)$"):
        guard.listen()


def test_every_module_of_the_firmware_is_forgotten_and_nothing_else() -> None:
    board = Board()

    def module(name: str, file: str | None) -> types.ModuleType:
        made = types.ModuleType(name)
        if file is not None:
            made.__file__ = file
        return made

    files = {
        "safety": "rotorgate/safety.py", "frames": "rotorgate/frames.py", "own": "own.py", "own.power": "own/power.py",
        "helper": "/lib/helper.mpy", "frozen": "frozen.py", "machine": None, "stand_in": "/elsewhere/machine.py",
    }  # fmt: skip
    board.files.add("/lib/helper.mpy")
    board.imported.update({name: module(name, file) for name, file in files.items()})
    board.imported["odd"] = object()
    board.load("import_anew", open=board.open).forget("own", "safety")
    assert set(board.imported) == {"safety", "frames", "machine", "stand_in", "odd"}


def test_on_a_board_without_folders_the_named_module_alone_is_forgotten() -> None:
    board = Board()
    for name in ("safety", "frames", "own"):
        board.imported[name] = made = types.ModuleType(name)
        made.__file__ = f"{name}.py"
    board.load("import_anew", open=board.open).forget("own", "safety")
    assert set(board.imported) == {"safety", "frames"}


def agreement(board: Board) -> Any:
    return board.load("agreement")


def test_limits_are_said_before_anything_is_done_and_the_host_lets_it_go_on() -> None:
    board = Board()
    guard = board.guard(Drive(board), deadman_ms=250, hang=(100, None), travel=(50, 60), speed=(7, 8))
    board.orders = [(90_000, b"no"), (150_000, b"go")]
    agreement(board).agree(guard)
    limits = {"hang": (100, None), "travel": (50, 60), "speed": (7, 8), "deadman_ms": 250}
    assert board.events == [("guard", {**limits, "pins": PINS, "enables": ENABLES, "enable_off": (0, 0)})]
    assert 150_000 <= board.us < 200_000


def test_a_host_that_does_not_agree_and_falls_silent_is_not_waited_for() -> None:
    board = Board()
    guard = board.guard(Drive(board), deadman_ms=300)
    board.feeds = False
    with pytest.raises(Exception, match="deadman"):
        agreement(board).agree(guard)
    assert board.us <= 400_000
