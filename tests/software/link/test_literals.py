"""What a board may answer outside frames: sense, or one line of trouble with the link; never a defect of ours."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import BenchError, LinkError
from harness.bench.source import firmware_answers
from harness.link.board import Board
from harness.link.frames import Event, FrameReader
from harness.link.literals import literal
from harness.link.wire import RawFrame
from harness.nouns.contract import DeclarationError, parse_declared
from tests.software.bench.stubs import answered
from tests.software.nouns.test_declared import GOOD

IDENTITY = {
    "unique_id": "00ff", "system": "rp2", "implementation": "micropython", "version": "1.27", "machine": "a board"
}  # fmt: skip
NONSENSE = (
    "",
    "None",
    "[]",
    "{}",
    "{[]: 1}",
    "'",
    "__import__('os').remove('x')",
    "{'unique_id': 7}",
    "0x" + "f" * 5000,
    "9" * 5000,
    "(" * 5000,
    "[" * 90 + "]" * 90,
    "-" * 5000 + "1",
    "1" + "+1j" * 5000,
    "{" * 200_000,
    "\0",
    "\ud800",
    "'\\d'",
    repr({**IDENTITY, "more": "x"}),
    repr({**IDENTITY, "machine": 7}),
    repr({**IDENTITY, "machine": "x" * 5000}),
    repr({**IDENTITY, "unique_id": "../../x"}),
    repr({**IDENTITY, "unique_id": "0"}),
    repr({word: text for word, text in IDENTITY.items() if word != "version"}),
)
LIKE_LITERALS = st.from_regex(r"[\[({'0-9a-z:,\-}\])]{0,60}", fullmatch=True)
ANYTHING = st.text(max_size=80) | st.sampled_from(NONSENSE) | LIKE_LITERALS
VALUES = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary()


def identity(printed: str) -> Any:
    board: Any = SimpleNamespace(execute_checked=lambda source: answered(printed), port=SimpleNamespace(url="/dev/x"))
    return Board.identity(board)


def test_a_board_says_who_it_is() -> None:
    assert identity(repr(IDENTITY)).unique_id == "00ff"


@pytest.mark.parametrize("printed", NONSENSE, ids=range(len(NONSENSE)))
def test_an_identity_that_is_none_is_the_links_trouble(printed: str) -> None:
    with pytest.raises(LinkError, match=r"^/dev/x: what the board says of itself makes no sense: expected ") as caught:
        identity(printed)
    assert str(caught.value).isprintable() and len(str(caught.value)) < 300


@given(ANYTHING)
def test_whatever_a_board_prints_is_a_literal_or_one_line(printed: str) -> None:
    try:
        literal(printed)
    except ValueError as error:
        assert str(error).isprintable()


@given(st.lists(ANYTHING, max_size=3))
def test_whatever_a_firmware_answers_is_a_declaration_or_one_line(said: list[str]) -> None:
    try:
        _, declared = firmware_answers("".join(answered(text) for text in said), "drive", ("leaf", "wheel"))
        for motor, answer in declared.items():
            parse_declared(motor, answer)
    except (BenchError, DeclarationError) as error:
        assert str(error).isprintable()


@given(st.sampled_from(sorted(GOOD)), st.recursive(VALUES, st.lists))
def test_whatever_a_firmware_declares_is_taken_or_named(key: str, value: object) -> None:
    try:
        parse_declared("leaf", {**GOOD, key: value})
    except DeclarationError as error:
        assert str(error).isprintable()


@pytest.mark.parametrize("value", [[1 << 20_000], "x" * 5000, {"x" * 5000: 1}], ids=["digits", "text", "table"])
@pytest.mark.parametrize("key", ["pole_pairs", "version", "timers"])
def test_a_declaration_without_measure_is_cut_in_its_message(key: str, value: object) -> None:
    with pytest.raises(DeclarationError, match=key) as caught:
        parse_declared("leaf", {**GOOD, key: value})
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("value", ["-" * 5000 + "1", "(" * 5000, "{[]: 1}", "\0"])
def test_an_event_that_makes_no_sense_is_told_with_its_frame(value: str) -> None:
    reader = FrameReader()
    reader.read(RawFrame(ord("B"), 0, b"\x01"))
    with pytest.raises(LinkError, match="frame 1: kind 0x45 makes no sense: expected a literal of Python"):
        reader.read(RawFrame(ord("E"), 1, f"done\n{value}".encode()))


@pytest.mark.parametrize("value", [None, "much", [1], 1.5, "1\x1b[2J"])
def test_an_event_of_another_kind_is_the_links_trouble(value: object) -> None:
    assert Event("slip", "7").whole() == 7
    with pytest.raises(LinkError, match="event slip: expected a whole number, found ") as caught:
        Event("slip", value).whole()
    assert str(caught.value).isprintable()
