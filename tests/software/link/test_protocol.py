"""The raw REPL's state machine against a scripted board, whatever the stream is split into."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.link.protocol import PIECE, RESTART_MARKS, Output, RawPrompt, RawRepl, ReplEvent, Restart, ScriptEnd, State
from harness.link.wire import DamagedFrame, RawFrame
from tests.software.link.scripted import BANNER, ScriptedBoard, pack, pack_hex

sizes = st.lists(st.integers(1, 40), min_size=1, max_size=30)


def sane(data: bytes) -> bool:
    """Nothing that only a board which starts anew says."""
    return not any(mark in data for mark in RESTART_MARKS)


text = st.binary(max_size=300).map(lambda data: bytes(byte for byte in data if byte not in (4, 30, 31))).filter(sane)
raw_frames = st.tuples(st.integers(0, 255), st.integers(0, 65535), st.binary(max_size=60).filter(sane))


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    """`data` in pieces of the given sizes, over and over."""
    parts, at, turn = [], 0, 0
    while at < len(data):
        parts.append(data[at : at + cuts[turn % len(cuts)]])
        at += cuts[turn % len(cuts)]
        turn += 1
    return parts


def talk(repl: RawRepl, board: ScriptedBoard, cuts: list[int]) -> list[ReplEvent]:
    """Carry bytes both ways until nothing moves."""
    happenings: list[ReplEvent] = []
    while data := repl.take():
        for piece in pieces(board.hear(data), cuts):
            happenings += repl.receive(piece)
    return happenings


def entered(board: ScriptedBoard, cuts: list[int]) -> RawRepl:
    repl = RawRepl()
    repl.interrupt()
    talk(repl, board, cuts)
    repl.enter()
    assert RawPrompt() in talk(repl, board, cuts)
    assert repl.state is State.READY
    return repl


def printed(happenings: list[ReplEvent]) -> bytes:
    return b"".join(happening.data for happening in happenings if isinstance(happening, Output))


@given(sizes, st.booleans(), st.sampled_from([32, 128, 256]), st.integers(0, 900), text)
def test_a_script_of_any_length_runs_once_and_its_output_comes_whole(
    cuts: list[int], paste: bool, window: int, length: int, output: bytes
) -> None:
    source = "x" * length + "#"
    board = ScriptedBoard(answers={source: (output, b"")}, paste=paste, window=window, noise=b"main.py >>> OK\r\n")
    repl = entered(board, cuts)
    for _ in range(2):  # the second time it is known whether paste is offered
        repl.execute(source)
        happenings = talk(repl, board, cuts)
        assert printed(happenings) == output
        assert happenings[-1] == ScriptEnd(b"")
    if paste or len(source) <= PIECE:
        assert board.ran.count(source) == 2
    else:
        assert board.ran.count("import gc;gc.collect();exec(_src)") == 2
        assert board.longest <= PIECE
    assert not board.overrun
    assert repl.offers_paste is paste


@given(sizes, text, st.text(max_size=80).map(str.encode).filter(lambda error: not set(error) & {4}))
def test_a_traceback_is_parted_from_the_output(cuts: list[int], output: bytes, error: bytes) -> None:
    board = ScriptedBoard(answers={"go": (output, error)})
    repl = entered(board, cuts)
    repl.execute("go")
    happenings = talk(repl, board, cuts)
    assert printed(happenings) == output
    assert happenings[-1] == ScriptEnd(error)


@given(sizes, st.lists(st.one_of(text, raw_frames), max_size=8), st.booleans())
def test_frames_and_text_share_the_stream(
    cuts: list[int], parts: list[bytes | tuple[int, int, bytes]], as_hex: bool
) -> None:
    put = pack_hex if as_hex else pack
    stream = b"".join(part if isinstance(part, bytes) else put(*part) for part in parts)
    board = ScriptedBoard(answers={"go": (stream, b"")})
    repl = entered(board, cuts)
    repl.execute("go", framed=True)
    happenings = talk(repl, board, cuts)
    assert [(frame.kind, frame.sequence, frame.payload) for frame in happenings if isinstance(frame, RawFrame)] == [
        part for part in parts if isinstance(part, tuple)
    ]
    assert printed(happenings) == b"".join(part for part in parts if isinstance(part, bytes))
    assert happenings[-1] == ScriptEnd(b"")


@given(sizes, st.lists(raw_frames, min_size=1, max_size=5), st.data(), st.booleans())
def test_a_flipped_bit_is_never_data(
    cuts: list[int], frames: list[tuple[int, int, bytes]], data: st.DataObject, as_hex: bool
) -> None:
    put = pack_hex if as_hex else pack
    stream = bytearray(b"".join(put(*frame) for frame in frames))
    at = data.draw(st.integers(0, len(stream) - 1))
    stream[at] ^= 1 << data.draw(st.integers(0, 7))
    board = ScriptedBoard(answers={"go": (bytes(stream), b"")})
    repl = entered(board, cuts)
    repl.execute("go", framed=True)
    happenings = talk(repl, board, cuts)
    whole = [(frame.kind, frame.sequence, frame.payload) for frame in happenings if isinstance(frame, RawFrame)]
    # Frames before the damage, perhaps some after it, but nothing that was not sent. A letter of a hex digit may
    # only have changed its case.
    assert all(frame in frames for frame in whole)
    assert len(whole) < len(frames) or bytes(stream).lower() == b"".join(put(*frame) for frame in frames)


@given(st.binary(max_size=400), sizes)
def test_nothing_a_board_may_say_breaks_the_machine(noise: bytes, cuts: list[int]) -> None:
    for framed in (False, True):
        board = ScriptedBoard()
        repl = entered(board, cuts)
        repl.execute("go", framed=framed)
        repl.take()
        for piece in pieces(noise, cuts):
            repl.receive(piece)
        repl.interrupt()
        talk(repl, board, cuts)
        repl.enter()
        assert RawPrompt() in talk(repl, board, cuts)


def test_a_syntax_error_stops_the_paste() -> None:
    repl = entered(ScriptedBoard(), [100])
    repl.execute("x" * 1000)
    assert repl.take() == b"\x05A\x01"
    repl.receive(b"R\x01\x80\x00\x01")
    assert len(repl.take()) == 256
    repl.receive(b"\x04")
    assert repl.take() == b"\x04"
    assert repl.receive(b"\x04SyntaxError\r\n\x04>") == [ScriptEnd(b"SyntaxError\r\n")]


def test_window_credits_before_the_last_04_are_skipped() -> None:
    repl = entered(ScriptedBoard(), [100])
    repl.execute("x" * 200)
    repl.take()
    repl.receive(b"R\x01\x80\x00\x01")
    assert repl.take() == b"x" * 200 + b"\x04"
    assert repl.receive(b"\x01\x01\x04out\x04\x04>") == [Output(b"out"), ScriptEnd(b"")]


def test_raw_paste_known_but_not_available() -> None:
    repl = entered(ScriptedBoard(), [100])
    repl.execute("pass")
    assert repl.take() == b"\x05A\x01"
    assert repl.receive(b"R\x00>") == []
    assert repl.take() == b"pass\x04"
    assert repl.receive(b"OK\x04\x04>") == [ScriptEnd(b"")]


@pytest.mark.parametrize("framed", [False, True])
@pytest.mark.parametrize(
    "said",
    [
        b"MPY: soft reboot\r\n" + BANNER,
        b"\x04\x04MPY: soft reboot\r\n" + BANNER,
        b'\r\nMicroPython v1.9 on a board\r\nType "help()" for more information.\r\n>>> ',
    ],
)
def test_a_reset_in_the_middle_is_noticed(said: bytes, framed: bool) -> None:
    repl = entered(ScriptedBoard(answers={"pass": (b"", b"")}), [100])
    repl.execute("pass", framed=framed)
    repl.take()
    repl.receive(b"R\x01\x80\x00\x01")
    repl.take()
    happenings = [happening for byte in b"\x04" + said for happening in repl.receive(bytes([byte]))]
    assert any(isinstance(happening, Restart) for happening in happenings)


def test_a_frame_cut_short_by_a_reset_is_a_reset() -> None:
    repl = entered(ScriptedBoard(), [100])
    repl.execute("pass", framed=True)
    repl.take()
    repl.receive(b"R\x01\x80\x00\x01\x04")
    happenings = repl.receive(pack(68, 0, bytes(400))[:100] + b"MPY: soft reboot\r\n" + BANNER)
    assert isinstance(happenings[-1], Restart)
    assert not any(isinstance(happening, RawFrame) for happening in happenings)


def test_a_second_banner_that_comes_late_is_not_taken_for_an_answer() -> None:
    board = ScriptedBoard(answers={"pass": (b"", b"")})
    repl = RawRepl()
    repl.enter()
    late = board.hear(repl.take())
    repl.enter()  # asked again before the first banner arrived
    late += board.hear(repl.take())
    assert repl.receive(late) == []
    assert RawPrompt() in talk(repl, board, [100])
    repl.execute("pass")
    assert talk(repl, board, [100])[-1] == ScriptEnd(b"")


def test_soft_reset_ends_at_the_prompt() -> None:
    board = ScriptedBoard()
    repl = entered(board, [100])
    repl.soft_reset()
    assert any(isinstance(happening, Restart) for happening in talk(repl, board, [3]))
    assert repl.state is State.READY


@pytest.mark.parametrize("source", ["a\x01", "\x03", "print('\x04')"])
def test_control_characters_in_a_source_are_refused(source: str) -> None:
    repl = entered(ScriptedBoard(), [100])
    with pytest.raises(ValueError, match="control character 01 to 05: write it as an escape"):
        repl.execute(source)


def test_nothing_runs_before_the_prompt() -> None:
    with pytest.raises(ValueError, match="the board must be ready, and is lost"):
        RawRepl().execute("pass")


def test_lines_end_in_lf_alone() -> None:
    board = ScriptedBoard(answers={"a\nb": (b"", b"")})
    repl = entered(board, [100])
    repl.execute("a\r\nb")
    talk(repl, board, [100])
    assert board.ran[-1] == "a\nb"


def test_damage_says_which() -> None:
    repl = entered(ScriptedBoard(), [100])
    repl.execute("pass", framed=True)
    repl.take()
    repl.receive(b"R\x01\x80\x00\x01\x04")
    frame = bytearray(pack(69, 7, b"abc"))
    frame[9] ^= 1
    (damage,) = repl.receive(bytes(frame))
    assert isinstance(damage, DamagedFrame)
    assert damage.sequence == 7
    assert damage.what == "its 3 bytes fail their CRC"
