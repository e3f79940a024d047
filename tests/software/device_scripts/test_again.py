"""A loop is started once more where a field has drawn the shaft aside unread: slowly, near by, and off in between."""

from __future__ import annotations

import types
from itertools import pairwise
from typing import Any

import pytest

from tests.software.device_scripts.board import PINS, Board, Drive

STEP, TURN, POLES, ZERO = 100, 16384, 7, 40


class Placed(Drive):
    """A drive that says where its fields point, and whose shaft stands wherever the last one does."""

    runs_off = False
    """Whether its loop does when it is started for the second time."""

    def declare(self, motor: int) -> dict[str, object]:
        return {**super().declare(motor), "pole_pairs": POLES, "direction": -1, "offset_count": ZERO}

    def field(self, motor: int, angle: int, amplitude: int) -> None:
        super().field(motor, angle, amplitude)
        ahead = (angle - self._angle(motor) + 32768) % 65536 - 32768
        self.count[motor] = round(self.count[motor] - ahead * TURN / POLES / 65536)

    def _angle(self, motor: int) -> float:
        return -(self.count[motor] - ZERO) * POLES * 65536 / TURN

    def start(self, motor: int) -> None:
        self._note("start", motor)
        super().start(motor)
        if self.runs_off and len(self.of("start")) == 2:
            self.count[motor] += 6 * STEP


def run(moves: int, step: int = STEP, *, runs_off: bool = False) -> tuple[Board, Placed]:
    board = Board()
    drive = Placed(board)
    drive.runs_off = runs_off
    drive.count[0] = 3000
    guard = board.guard(drive)
    board.loaded["pins"] = types.SimpleNamespace(live=lambda *_: [], READS=10)  # type: ignore[assignment]
    for name in ("conduct", "traced_loop"):
        board.loaded[name] = board.load(name)
    script: Any = board.load("conduct_loop")
    script.loop(guard, 0, PINS[0], 6, 0, step, 3 * step, 5, moves * step, 900)
    return board, drive


@pytest.mark.parametrize("step", [4, STEP, 300])
def test_the_shaft_stands_two_moves_aside_when_the_loop_is_started_again(step):
    _, drive = run(-2, step)
    assert drive.count[0] == pytest.approx(3000 - 2 * step, abs=2)


def test_nothing_is_read_from_the_first_field_to_the_start_and_the_motor_is_off_before_it():
    _, drive = run(-2)
    names = [name for _, name, _ in drive.calls]
    first, again = names.index("field"), len(names) - 1 - names[::-1].index("start")
    assert set(names[first:again]) == {"field", "off"}
    assert names[again - 1] == "off"
    fields = [words for _, words in drive.of("field")]
    assert {words[2] for words in fields} == {900}
    steps = [(b[1] - a[1] + 32768) % 65536 - 32768 for a, b in pairwise(fields)]
    assert max(map(abs, steps)) <= 910  # 5 degrees


def test_a_set_point_that_goes_far_draws_no_shaft_aside():
    board, drive = run(0)
    assert not drive.of("field")
    assert len(drive.of("start")) == 2
    assert [name for name, _ in board.events] == ["hook", "stop", "off"]


def test_a_loop_that_runs_off_when_it_is_started_again_is_let_go_and_said():
    board, drive = run(-2, runs_off=True)
    assert [name for name, _ in board.events] == ["hook", "stop", "ran_again"]
    assert board.events[-1][1] == pytest.approx(4 * STEP, abs=2)
    assert not any(drive.running)
    assert drive.calls[-1][1] == "off"
