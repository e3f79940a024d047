"""The link when things go wrong, on the stand-in, which can be told to misbehave."""

from __future__ import annotations

import pytest

from harness.base.clock import WallClock
from harness.base.errors import BenchBusy, DeviceError, LinkError, LinkLost, LinkTimeout
from harness.link.board import Board
from harness.link.frames import Event
from tests.contracts.boards import running

STREAM = """
s = frames.Stream('trace', (('t', 'us', 'I'),), 40)
for i in range(100): s.row(i)
# go
"""


def values(board: Board) -> list[int]:
    """What came whole, with nothing between missing, before the error or the end."""
    got: list[int] = []
    with board.run(STREAM) as run:
        while (frame := run.next_frame(timeout_s=20)) is not None:
            assert not isinstance(frame, Event)
            got += [row[0] for row in frame.data.tolist()]
            assert got == list(range(len(got)))
    return got


@pytest.mark.parametrize(
    "traits",
    [
        (),
        ("--no-paste",),
        ("--window", "32"),
        ("--chop", "1"),
        ("--chop", "2", "--no-paste"),
        ("--noise",),
        ("--noise", "--chop", "3"),
        ("--stuck", "raw"),
        ("--stuck", "paste"),
        ("--stuck", "typed"),
        ("--stuck", "script"),
    ],
    ids=" ".join,
)
def test_however_the_board_behaves_samples_come_whole(traits: tuple[str, ...]) -> None:
    with running("stand-in", *traits) as name, Board.open(name, WallClock()) as board:
        assert values(board) == list(range(100))
        assert board.execute("print(1)") == "1\n"


# The first frame (begin) is 13 bytes long, the header of the stream 23, then 10 frames of 52 bytes.
@pytest.mark.parametrize("at", [0, 3, 12, 13, 40, 60, 87, 88, 300, 547, 559])
@pytest.mark.parametrize("what", ["--damage", "--drop"])
def test_damage_is_an_error_that_says_which_frame_never_wrong_data(what: str, at: int) -> None:
    with running("stand-in", what, str(at)) as name, Board.open(name, WallClock()) as board:
        with pytest.raises(LinkError, match=r"frame \d+: (damaged|lost)|script did not give .*frames had come"):
            values(board)
        board.execute("print(1)")  # the board is back; "go" is not in this source, so nothing is damaged


def test_an_unplugged_board_is_an_error() -> None:
    with running("stand-in", "--vanish", "300") as name:
        board = Board.open(name, WallClock())
        with pytest.raises(LinkLost, match=r"lost while (reading|writing)"):
            values(board)
        board.close()


def test_a_board_that_no_interrupt_reaches() -> None:
    with (
        running("stand-in", "--deaf", "--stuck", "script") as name,
        pytest.raises(
            LinkTimeout, match=r"no raw prompt within 0\.8 s of interrupting; received .*; check that this port is"
        ),
    ):
        Board.open(name, WallClock(), timeout_s=0.8)


def test_a_failing_make_safe_is_told() -> None:
    with running("stand-in") as name, pytest.raises(DeviceError, match="NameError"):
        Board.open(name, WallClock(), make_safe_source="phases_off()")


def test_a_port_is_opened_by_one_only() -> None:
    with (
        running("stand-in") as name,
        Board.open(name, WallClock()),
        pytest.raises(BenchBusy, match="another program holds this port; close it"),
    ):
        Board.open(name, WallClock())


def test_a_line_that_would_interrupt_is_refused() -> None:
    with running("stand-in") as name, Board.open(name, WallClock()) as board, board.run("pass") as run:
        for line in (b"a\x03", b"x" * 128, b"two\nlines"):
            with pytest.raises(ValueError, match="a line of at most 127 bytes without 01 to 04, CR, LF expected"):
                run.send(line)
        run.finish()
        with pytest.raises(LinkError, match="the script has ended; b'late' was not sent"):
            run.send(b"late")


def test_a_script_that_never_falls_silent_is_a_timeout_all_the_same() -> None:
    with running("stand-in") as name, Board.open(name, WallClock()) as board:
        with pytest.raises(LinkTimeout, match=r"script not over within 1 s; received \d+ bytes, the last b'"):
            board.execute("while True: print('noise')", timeout_s=1.0)
        with board.run("while True: print('noise')") as run, pytest.raises(LinkTimeout, match="did not give a frame"):
            run.next_frame(timeout_s=0.3)
        assert board.execute("print(1)") == "1\n"
