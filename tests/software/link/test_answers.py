"""Answers of a board and sources to it, with checksums: what is damaged is refused, whichever byte it is."""

from __future__ import annotations

import contextlib
import io
import zlib

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.base.errors import DeviceError, LinkError
from harness.link.answers import SAY, answers, checked, refused, sum_of

VALUES = st.recursive(st.none() | st.integers() | st.text(max_size=20), st.lists, max_leaves=5)


def said(value: object) -> str:
    """What a board prints that answers with it."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(f"{SAY}_say({value!r})", {})
    return printed.getvalue()


@given(VALUES)
def test_an_answer_comes_back_from_among_other_output(value: object) -> None:
    assert answers(f"boot noise\n{said(value)}more\r\n") == [repr(value)]


@given(VALUES, st.integers(0), st.integers(1, 127))
def test_no_answer_with_one_byte_changed_is_taken_for_it(value: object, place: int, change: int) -> None:
    line = bytearray(said(value).encode())
    place %= len(line) - 1
    line[place] ^= change
    assume(line[place : place + 1] not in (b"\n", b"\r", b"\v", b"\f", b"\x1c", b"\x1d", b"\x1e"))
    try:
        found = answers(line.decode("utf-8", "backslashreplace"))
    except LinkError as error:
        assert str(error).isprintable()
    else:
        assert found in ([], [repr(value)])


def test_the_sum_is_adler_32_as_zlib_has_it() -> None:
    high, low = sum_of("Rotor 20 °C")
    assert (high << 16 | low) == zlib.adler32("Rotor 20 °C".encode())


@given(st.integers(0), st.integers(1, 127))
def test_a_source_with_one_byte_changed_does_nothing(place: int, change: int) -> None:
    source = bytearray(checked("done.append(12345)").encode())
    begin = source.index(b"_s =")
    place = begin + place % (source.index(b"if _sum") - begin)
    source[place] ^= change
    done: list[int] = []
    with contextlib.suppress(Exception):
        exec(source.decode("latin-1"), {"done": done})
    assert done in ([], [12345])


@pytest.mark.parametrize(("words", "so"), [("ValueError: script damaged on its way", True), ("ValueError: 7", False)])
def test_a_refusal_is_told_from_what_a_script_raises(words: str, so: bool) -> None:
    assert refused(DeviceError("raised", f'Traceback:\n  File "<stdin>", line 9, in <module>\n{words}\n')) is so
