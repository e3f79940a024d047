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


def run(moves: int, step: int = STEP) -> tuple[Board, Placed]:
    board = Board()
    drive = Placed(board)
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
