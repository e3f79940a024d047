"""Meaning of frames: order, rows, events; and files in blocks."""

from __future__ import annotations

import struct

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.base.errors import LinkError
from harness.link.files import BLOCK, blocks
from harness.link.frames import Acknowledgement, Event, FilePiece, FrameReader, StreamColumn, StreamRows
from harness.link.protocol import CREDIT
from harness.link.snippets import device_script, slim
from harness.link.wire import RawFrame

BEGIN = RawFrame(ord("B"), 0, b"\x01")
HEADER = RawFrame(ord("H"), 1, b"trace\nt us I\ncount 1 h")


def reader(*frames: RawFrame) -> FrameReader:
    made = FrameReader()
    for frame in frames:
        made.read(frame)
    return made


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(-(2**15), 2**15 - 1)), max_size=40))
def test_rows_keep_their_values(rows: list[tuple[int, int]]) -> None:
    payload = b"".join(struct.pack("<Ih", *row) for row in rows)
    frame = reader(BEGIN, HEADER).read(RawFrame(0x80, 2, payload))
    assert isinstance(frame, StreamRows)
    assert frame.stream == "trace"
    assert frame.columns == (StreamColumn("t", "us", "I"), StreamColumn("count", "1", "h"))
    assert frame.data.tolist() == rows


@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers()
        | st.floats(allow_nan=False, allow_infinity=False)
        | st.text()
        | st.binary(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    )
)
def test_events_keep_their_value(value: object) -> None:
    event = reader(BEGIN).read(RawFrame(ord("E"), 1, b"name\n" + repr(value).encode("utf-8", "surrogatepass")))
    assert event == Event("name", value)


def test_acknowledgement_and_file() -> None:
    made = reader(BEGIN)
    assert made.read(RawFrame(ord("A"), 1, b"\x05\x01")) == Acknowledgement(261)
    assert made.read(RawFrame(ord("F"), 2, b"abc")) == FilePiece(b"abc")


@given(st.integers(0, 65535).filter(lambda sequence: sequence != 2))
def test_a_lost_frame_is_named(sequence: int) -> None:
    with pytest.raises(LinkError, match=rf"frame 2: lost \(\d+ missing\), frame {sequence} came instead"):
        reader(BEGIN, HEADER).read(RawFrame(0x80, sequence, b""))


@given(st.integers(0, 5), st.integers(1, 3))
def test_any_gap_is_noticed(first: int, missing: int) -> None:
    frames = [BEGIN, *(RawFrame(ord("E"), number, b"n\n1") for number in range(1, 12))]
    del frames[first : first + missing]
    with pytest.raises(LinkError, match=f"frame {first}: lost"):
        reader(*frames)


def test_numbers_go_round() -> None:
    made = reader(BEGIN)
    for number in range(1, 65536 + 3):
        made.read(RawFrame(ord("A"), number & 0xFFFF, b"\x00\x00"))
    made.read(RawFrame(ord("Z"), 3, b"\x03\x00"))
    assert made.incomplete() is None


def test_a_lost_beginning_or_end_is_an_error() -> None:
    assert str(FrameReader().incomplete()) == "frame 0: lost, the script has ended without its first frame"
    assert str(reader(BEGIN, HEADER).incomplete()) == "frame 2: lost, the script has ended without its last frame"
    assert reader(BEGIN, RawFrame(ord("Z"), 1, b"\x01\x00")).incomplete() is None


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (RawFrame(ord("B"), 1, b"\x02"), "frame layout 2, expected 1: deploy frames.py again"),
        (RawFrame(0x80, 1, b""), "frame 1: kind 0x80 makes no sense"),
        (RawFrame(0x21, 1, b""), "unknown kind"),
        (RawFrame(ord("E"), 1, b"x\n__import__('os')"), "frame 1: kind 0x45 makes no sense"),
        (RawFrame(ord("H"), 1, b"x\na V ?"), "frame 1: kind 0x48 makes no sense"),
        (RawFrame(ord("Z"), 1, b"\x07\x00"), "board counted 7 frames"),
    ],
)
def test_senseless_frames_are_errors(frame: RawFrame, message: str) -> None:
    with pytest.raises(LinkError, match=message):
        reader(BEGIN).read(frame)


def test_rows_that_do_not_fill_whole_rows_are_an_error() -> None:
    with pytest.raises(LinkError, match="frame 2: kind 0x80 makes no sense: buffer size must be a multiple"):
        reader(BEGIN, HEADER).read(RawFrame(0x80, 2, b"abc"))


@given(st.binary(max_size=2000) | st.lists(st.sampled_from([3, 3, 3, 0, 4]), max_size=800).map(bytes))
@example(bytes([3]) * 800)
def test_blocks_never_hold_an_interrupt_and_come_apart_again(data: bytes) -> None:
    """As the RECEIVE snippet takes them apart on the board."""
    content = b""
    sent = list(blocks(data))
    for block in sent:
        assert len(block) == BLOCK <= CREDIT
        assert 3 not in block
        received = bytearray(block)
        size = received[0] - 30
        for place in block[size : size + block[1] - 32]:
            received[place - 30] = 3
        content += received[2:size]
        assert (size == 2) is (block is sent[-1])
    assert content == data


def test_slim_scripts_keep_their_line_numbers() -> None:
    source = (
        b'"""Doc\n\nlines."""\n# comment\nx = 1  # kept\n\ndef f():\n    """Only this."""\n\n'
        b'def g():\n    """Doc."""\n    return 2\n'
    )
    slimmed = slim(source)
    assert slimmed.count(b"\n") == source.count(b"\n")
    assert b"Doc" not in slimmed
    assert b"# comment" not in slimmed
    scope: dict[str, object] = {}
    exec(compile(slimmed, "slim", "exec"), scope)
    assert scope["x"] == 1
    assert scope["g"].__code__.co_firstlineno == 10  # type: ignore[attr-defined]
    assert len(slim(device_script("frames.py"))) < 3600  # what 8 KiB of heap can compile (tried)
