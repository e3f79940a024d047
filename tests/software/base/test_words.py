"""Foreign text made visible: one rule, for the terminal, for pages and for what instruments say."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.words import visible, visible_lines
from harness.bench.visa import printable

ANY = st.text(st.characters(), max_size=30)
"""Every character that there is, lone surrogates too."""


@given(ANY)
def test_nothing_is_left_that_a_terminal_obeys_and_all_is_on_one_line(text: str) -> None:
    shown = visible(text)
    assert all(mark == " " or unicodedata.category(mark)[0] not in "CZ" for mark in shown)
    assert len(shown.splitlines()) <= 1
    shown.encode("utf-8")  # no lone surrogate that a stream would refuse


@given(ANY)
def test_what_can_be_shown_stays_as_it_is_and_what_is_shown_is_shown_again(text: str) -> None:
    kept = [mark for mark in text if mark.isprintable()]
    assert visible("".join(kept)) == "".join(kept)
    assert visible(visible(text)) == visible(text)


@given(st.lists(ANY, min_size=1))
def test_lines_stay_lines(lines: list[str]) -> None:
    shown = visible_lines("\n".join(line.replace("\n", "") for line in lines))
    assert shown.split("\n") == [visible(line.replace("\n", "")) for line in lines]


@given(ANY, ANY)
def test_it_goes_mark_by_mark(first: str, other: str) -> None:
    assert visible(first + other) == visible(first) + visible(other)


@given(st.characters(categories=["Cc", "Cf", "Zl", "Zp", "Cs", "Co", "Cn"]))
def test_a_mark_that_is_spelled_out_can_be_told_from_its_spelling(mark: str) -> None:
    assert visible(mark).encode().decode("unicode_escape") == mark


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("5 °C, mµ", "5 °C, mµ"),
        ("a\nb\tc", r"a\nb\tc"),
        ("\x1b[2J", r"\x1b[2J"),
        ("right\u202eleft", r"right\u202eleft"),
        ("no\u00a0break", r"no\xa0break"),
        (None, "None"),
        (3, "3"),
    ],
)
def test_examples(text: object, shown: str) -> None:
    assert visible(text) == shown


@given(ANY)
def test_an_instrument_is_shown_by_the_same_rule_in_ascii(text: str) -> None:
    if text.isascii() and len(visible(text)) <= 200:
        assert printable(text) == visible(text)
    assert printable(text).isascii()
