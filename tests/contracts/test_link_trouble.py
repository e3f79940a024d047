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


@pytest.mark.parametrize("at", range(0, 40, 3))
@pytest.mark.parametrize("more", [(), ("--no-paste",)], ids=["paste", "no paste"])
def test_no_number_in_a_script_is_ever_another_one(more: tuple[str, ...], at: int) -> None:
    with running("stand-in", "--mishear", str(at), *more) as name, Board.open(name, WallClock()) as board:
        assert board.abilities  # which are asked once
        try:
            assert board.execute_checked("heed = 98765432\nheed += 1234567\nprint(heed)", 1.0) == "99999999\n"
        except LinkError:  # what checks it was damaged itself
            assert at > 10


@pytest.mark.parametrize("at", range(0, 40, 3))
def test_no_number_in_a_framed_script_is_ever_another_one(at: int) -> None:
    with running("stand-in", "--mishear", str(at)) as name, Board.open(name, WallClock()) as board:
        try:
            with board.run("heed = 98765432\nframes.event('heed', heed + 1234567)") as run:
                assert run.next_frame() == Event("heed", 99999999)
                run.finish()
        except LinkError:
            assert at > 10


def test_a_line_that_damages_whatever_it_carries_is_given_up_in_words() -> None:
    with running("stand-in") as name, Board.open(name, WallClock()) as board:
        assert board.abilities
        sent = board.start
        board.start = lambda source, framed: sent(source.replace("0", "1"), framed=framed)  # type: ignore[method-assign]
        with pytest.raises(DeviceError, match="code on the board raised ValueError: script damaged on its way"):
            board.execute_checked("print(100)")


@pytest.mark.parametrize("at", range(7))
def test_no_line_to_a_script_is_ever_another_one(at: int) -> None:
    source = "box = frames.Inbox()\nline = None\nwhile line is None: line = box.line(20)\nframes.event('line', line)"
    with running("stand-in", "--mishear", str(at)) as name, Board.open(name, WallClock()) as board:
        with board.run(source) as run, pytest.raises(DeviceError, match="line 0 damaged, lost or repeated on its way"):
            run.send(b"heed 1")
            run.next_frame(timeout_s=5.0)
        assert board.execute("print(1)") == "1\n"


def test_a_line_that_would_interrupt_is_refused() -> None:
    with running("stand-in") as name, Board.open(name, WallClock()) as board, board.run("pass") as run:
        for line in (b"a\x03", b"x" * 122, b"two\nlines"):
            with pytest.raises(ValueError, match="a line of at most 121 bytes without 01 to 04, CR, LF expected"):
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
