"""What the link promises, over every kind of board. A case names the ability it needs of the board."""

from __future__ import annotations

import contextlib
from binascii import crc32
from collections.abc import Iterator

import numpy as np
import pytest

from harness.base.clock import WallClock
from harness.base.errors import BenchError, BoardBusy, DeviceError, LinkError, LinkTimeout
from harness.link.board import Board
from harness.link.frames import Event, StreamRows
from harness.link.port import Port
from tests.contracts.boards import KINDS, OLD, running

pytestmark = pytest.mark.board

RESET = """
import machine
try: machine.reset()
except AttributeError: raise SystemExit
"""
"""A reset in the middle, as this board does it."""


@pytest.fixture(
    scope="module", params=[kind if kind != OLD else pytest.param(kind, marks=pytest.mark.slow) for kind in KINDS]
)
def port_name(request: pytest.FixtureRequest) -> Iterator[str]:
    with running(request.param) as name:
        yield name


@pytest.fixture
def board(port_name: str) -> Iterator[Board]:
    with Board.open(port_name, WallClock()) as board:
        board.soft_reset()  # 8 KiB of heap are soon full of other cases' globals
        yield board


def needs(board: Board, *abilities: str) -> None:
    if missing := sorted(set(abilities) - board.abilities):
        pytest.skip(f"this board's MicroPython has no {', '.join(missing)}")


@contextlib.contextmanager
def other_program(port_name: str) -> Iterator[Port]:
    """Somebody else who leaves the board as it happens to be."""
    port = Port(port_name, WallClock())
    yield port
    port.close()


def test_execute_returns_what_was_printed(board: Board) -> None:
    assert board.execute("print('leaf', 1 + 1)\nprint('wheel')") == "leaf 2\nwheel\n"


def test_execute_keeps_globals(board: Board) -> None:
    board.execute("held = 7")
    assert board.execute("print(held)") == "7\n"


def test_a_source_of_any_length_arrives_whole(board: Board) -> None:
    lines = ["x = 0"] + ["x += 1"] * 150  # long enough for raw-paste, or for typing in pieces
    assert board.execute("\n".join(lines) + "\nprint(x)", timeout_s=20) == "150\n"


def test_text_outside_ascii(board: Board) -> None:
    assert board.execute("print('winding 20 °C')") == "winding 20 °C\n"


def test_an_exception_is_a_device_error_with_its_traceback(board: Board) -> None:
    with pytest.raises(DeviceError, match="raised ZeroDivisionError") as caught:
        board.execute("print('before')\n1 / 0")
    assert "line 2" in caught.value.board_traceback
    assert board.execute("print(1)") == "1\n"


def test_a_syntax_error_is_a_device_error(board: Board) -> None:
    with pytest.raises(DeviceError, match="raised SyntaxError"):
        board.execute("a = 1\n)\n" + "b = 2\n" * 200, timeout_s=20)
    assert board.execute("print(1)") == "1\n"


def test_a_script_without_end_is_interrupted_and_made_safe(board: Board) -> None:
    board.execute("safe = 0")
    board.make_safe_source = "safe += 1"
    with pytest.raises(LinkTimeout, match=r"not over within 1 s; received \d+ bytes, the last b'waiting"):
        board.execute("print('waiting')\nwhile True: pass", timeout_s=1.0)
    assert board.execute("print(safe)") == "1\n"


def test_identity(board: Board) -> None:
    identity = board.identity()
    assert identity.implementation in ("micropython", "cpython")
    assert identity.system
    assert identity.version[0].isdigit()
    assert identity.simulated is ("SIMULATED" in identity.machine)


def test_soft_reset_forgets_globals(board: Board) -> None:
    board.execute("held = 7")
    board.soft_reset()
    with pytest.raises(DeviceError, match="NameError"):
        board.execute("print(held)")


def test_a_reset_in_the_middle_is_an_error_and_the_board_comes_back(board: Board) -> None:
    with pytest.raises(LinkError, match="reset itself while a script ran; received "):
        board.execute("print('before')\n" + RESET)
    assert board.execute("print(1)") == "1\n"


def test_a_reset_in_the_middle_of_a_run(board: Board) -> None:
    with board.run("frames.event('begun', 1)\n" + RESET) as run:
        assert run.next_frame() == Event("begun", 1)
        with pytest.raises(LinkError, match="reset itself"):
            run.next_frame()
    assert board.execute("print(1)") == "1\n"


@pytest.mark.parametrize(
    "left",
    [
        b"\r\x01",
        b"\r\x01import os\nos.remove(",
        b"\r\x01while True: pass\x04",
        b"\r\x01\x05A\x01while True:",
        b"while True: print('noise')\r\r",
        b"\x05if True:\r  print(",
    ],
    ids=["raw", "raw, half a source", "running", "raw-paste", "friendly, running", "paste mode"],
)
def test_whatever_another_program_left_behind(port_name: str, left: bytes) -> None:
    with other_program(port_name) as port:
        port.write(b"\r\x03")
        port.read(port.clock.now_s() + 0.2)
        for byte in left:  # as typed, or some boards lose bytes
            port.write(bytes([byte]))
        port.read(port.clock.now_s() + 0.1)
    with Board.open(port_name, WallClock()) as board:
        assert board.execute("print(1)") == "1\n"


def test_a_busy_board_is_left_alone_when_asked(port_name: str) -> None:
    with Board.open(port_name, WallClock()) as board:
        board.execute("held = 7")
    with Board.open(port_name, WallClock(), interrupt=False) as board:
        assert board.execute("print(held)") == "7\n"
    board = Board.open(port_name, WallClock())
    board.execute("pass")
    board.start("while True: pass", framed=False)
    board.port.read(board.clock.now_s() + 0.2)
    board.port.close()  # as a program that was killed leaves it
    with pytest.raises(BoardBusy, match="expected a board at its prompt, found it busy"):
        Board.open(port_name, WallClock(), interrupt=False)
    Board.open(port_name, WallClock()).close()


# --- frames: none of these is skipped anywhere --------------------------------------------------------


def test_rows_come_back_as_they_were_sent(board: Board) -> None:
    source = """
s = frames.Stream('trace', (('t', 'us', 'I'), ('count', '1', 'h'), ('duty', '1', 'B')), 48)
for i in range(50): s.row(4294967295 - i, -i, i)
frames.event('end', {'passes': 50, 'words': ('a', "b'\\\\n"), 'none': None})
print('printed')
"""
    with board.run(source) as run:
        parts = []
        while isinstance(frame := run.next_frame(), StreamRows):
            assert frame.stream == "trace"
            assert [column.unit for column in frame.columns] == ["us", "1", "1"]
            parts.append(frame.data)
        assert frame == Event("end", {"passes": 50, "words": ("a", "b'\\n"), "none": None})
        assert run.finish() == "printed\n"
        assert run.next_frame() is None
    rows = np.concatenate(parts)
    assert len(parts) > 5
    np.testing.assert_array_equal(rows["t"], 4294967295 - np.arange(50))
    np.testing.assert_array_equal(rows["count"], -np.arange(50))
    np.testing.assert_array_equal(rows["duty"], np.arange(50))


def test_every_byte_value_travels_in_a_frame(board: Board) -> None:
    with board.run("frames.Stream('b', (('x', '1', 'B'),)).packed(bytes(range(256)))") as run:
        frame = run.next_frame()
        assert isinstance(frame, StreamRows)
        assert bytes(frame.data["x"]) == bytes(range(256))
        run.finish()


def test_two_streams(board: Board) -> None:
    with board.run(
        "a = frames.Stream('a', (('x', 'V', 'f'),), 8)\nb = frames.Stream('b', (('y', '1', 'H'),), 8)\n"
        "a.row(1.5)\nb.row(2)\na.row(2.5)"
    ) as run:
        frames = [run.next_frame(), run.next_frame()]
    assert [(frame.stream, frame.data.tolist()) for frame in frames if isinstance(frame, StreamRows)] == [
        ("a", [(1.5,), (2.5,)]),
        ("b", [(2,)]),
    ]


def test_a_script_that_raises_after_frames(board: Board) -> None:
    with board.run("frames.event('one', 1)\n1/0") as run:
        assert run.next_frame() == Event("one", 1)
        with pytest.raises(DeviceError, match="ZeroDivisionError"):
            run.next_frame()
    assert board.execute("print(1)") == "1\n"


def test_a_run_that_is_left_is_interrupted_and_made_safe(board: Board) -> None:
    board.execute("safe = 0")
    board.make_safe_source = "safe += 1"
    with pytest.raises(RuntimeError, match="limit"), board.run("while True: pass"):
        raise RuntimeError("over a limit")
    with board.run("s = frames.Stream('x', (('x', '1', 'B'),), 64)\nwhile True: s.row(1)") as run:
        assert isinstance(run.next_frame(), StreamRows)
    assert board.execute("print(safe)") == "2\n"


def test_a_silent_run_is_a_timeout(board: Board) -> None:
    with (
        board.run("print('hm')\nwhile True: pass") as run,
        pytest.raises(LinkTimeout, match=r"did not give a frame within 1 s; 1 frames had come, printed b'hm"),
    ):
        run.next_frame(timeout_s=1.0)
    assert board.execute("print(1)") == "1\n"


def test_the_boards_crc_is_crc_32(board: Board) -> None:
    board.run("").finish()
    assert (
        board.execute("print(frames.crc32(b'123456789'), frames.crc32(b'6789', frames.crc32(b'12345')))")
        == f"{0xCBF43926} {0xCBF43926}\n"
    )  # check value of CRC-32, reference/protocol/crc_check.csv


# --- lines to a script --------------------------------------------------------------------------------


TAKE_LINES = """
box = frames.Inbox()
lines = length = 0
while True:
    line = box.line(20)
    if line == b'end': break
    if line is not None:
        lines += 1
        length += len(line)
frames.event('taken', (lines, length))
"""


def test_lines_are_acknowledged_so_that_no_buffer_overflows(board: Board) -> None:
    needs(board, "stdin", "select")
    with board.run(TAKE_LINES) as run:
        for _ in range(40):
            run.send(b"x" * 100)
        run.send(b"end")
        assert run.next_frame() == Event("taken", (40, 4000))
        run.finish()


def test_the_heartbeat_reaches_a_waiting_script(board: Board) -> None:
    needs(board, "stdin", "select")
    source = "box = frames.Inbox()\nn = 0\nwhile n < 5:\n    if box.line(20) == b'': n += 1\nframes.event('beats', n)"
    with board.run(source, heartbeat_s=0.02) as run:
        assert run.next_frame(timeout_s=60) == Event("beats", 5)
        run.finish()


def test_a_script_is_ended_where_something_is_wrong_before_a_heartbeat(board: Board) -> None:
    needs(board, "stdin", "select")
    seen = iter((None, None, BenchError("nobody watches")))

    def look() -> None:
        if (wrong := next(seen)) is not None:
            raise wrong

    source = "box = frames.Inbox()\nframes.event('on', 1)\nwhile True: box.line(20)"
    with (
        pytest.raises(BenchError, match="nobody watches"),
        board.run(source, heartbeat_s=0.02, before_beat=look) as run,
    ):
        assert run.next_frame(timeout_s=60) == Event("on", 1)
        run.next_frame(timeout_s=60)
    assert board.execute("print(2)").strip() == "2", "the board was interrupted, and answers"


def test_more_heartbeats_than_the_credit_holds_are_acknowledged(board: Board) -> None:
    needs(board, "stdin", "select")
    with board.run(TAKE_LINES) as run:
        for _ in range(600):
            run.send(b"")
        run.send(b"x" * 120)
        run.send(b"end")
        assert run.next_frame() == Event("taken", (601, 120))
        assert run.finish() == ""  # what the interpreter says of a script's ways costs an exchange each time


# --- files --------------------------------------------------------------------------------------------


def test_a_file_goes_and_comes_back(board: Board) -> None:
    content = bytes(range(256)) * 3 + b"\x03" * 200 + b"\r\n\x04"
    board.write_file("trial.bin", content)
    assert board.read_file("trial.bin") == content
    board.write_file("trial.bin", b"")
    assert board.read_file("trial.bin") == b""
    board.remove("trial.bin")


def test_a_file_that_is_not_there(board: Board) -> None:
    board.write_file("trial.bin", b"1")
    board.remove("trial.bin")
    with pytest.raises(DeviceError, match=r"OSError|FileNotFoundError"):
        board.read_file("trial.bin")


def test_a_file_that_can_be_compressed_comes_whole(board: Board) -> None:
    needs(board, "deflate")
    content = b"".join(b"line %d of a script\n" % number for number in range(2000))
    board.write_file("trial.py", content)
    assert board.read_file("trial.py") == content
    assert "trial.py.part.z" not in board.execute("import os\nprint(os.listdir())")


def test_rename_replaces(board: Board) -> None:
    needs(board, "rename")
    board.write_file("old.py", b"a = 1\n")
    board.write_file("new.py", b"a = 2\n")
    board.rename("old.py", "new.py")
    assert board.read_file("new.py") == b"a = 1\n"


def test_only_scripts_that_differ_are_deployed(board: Board) -> None:
    scripts = {"trial_a.py": b"A = 1\n", "trial_b.py": b"B = 1\n"}
    board.deploy(scripts)
    assert board.deploy(scripts) == []
    assert board.execute("import trial_a\nprint(trial_a.A)") == "1\n"
    scripts["trial_a.py"] = b"A = 2\n"
    assert board.deploy(scripts) == ["trial_a.py"]
    if "mkdir" not in board.abilities:
        board.soft_reset()  # no sys.modules there to take the old one from
    assert board.execute("import trial_a\nprint(trial_a.A)") == "2\n"


def test_deployment_survives_a_soft_reset(board: Board) -> None:
    board.deploy({"trial_c.py": b"C = 1\n"})
    board.soft_reset()
    assert board.deploy({"trial_c.py": b"C = 1\n"}) == []
    assert board.execute("import trial_c\nprint(trial_c.C)") == "1\n"


def test_a_damaged_deployment_is_noticed(board: Board) -> None:
    board.run("").finish()
    board.deploy({"trial_d.py": b"D = 1\n"})
    folder = "rotorgate/" if "mkdir" in board.abilities else ""
    board.execute(f"f = open('{folder}trial_d.py', 'wb')\nf.write(b'D = 3\\n')\nf.close()")
    assert board.deploy({"trial_d.py": b"D = 1\n"}) == ["trial_d.py"]
    assert crc32(b"D = 1\n") != crc32(b"D = 3\n")


def test_a_script_never_hides_a_file_of_the_boards_own(board: Board) -> None:
    needs(board, "mkdir")
    board.write_file("trial_e.py", b"OWN = 1\n")
    with pytest.raises(LinkError, match=r"has its own trial_e\.py"):
        board.deploy({"trial_e.py": b"E = 1\n"})
    board.remove("trial_e.py")
