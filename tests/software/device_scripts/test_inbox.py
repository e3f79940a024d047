"""Lines to a script: those that come are those that were sent, in order, or the script ends."""

from __future__ import annotations

import types
from binascii import crc32
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.link.run import LONGEST_LINE
from tests.software.device_scripts.board import Board

LINES = st.lists(st.binary(max_size=40).filter(lambda line: not set(line) & {1, 2, 3, 4, 10, 13}), max_size=8)


def sent(lines: list[bytes]) -> bytes:
    """As the host sends them."""
    out, number = b"", 0
    for line in lines:
        numbered = line + b"%02x" % (number & 255)
        out += numbered + b"%04x\n" % (crc32(numbered) & 0xFFFF) if line else b"\n"
        number += bool(line)
    return out


def taken(data: bytes, size: int = 128) -> tuple[list[bytes], int]:
    """Lines that a script takes out of these bytes, and how many bytes it acknowledges. Raises what it raises."""
    board = Board()
    acknowledged: list[bytes] = []
    left = list(data)
    stdin = types.SimpleNamespace(buffer=types.SimpleNamespace(read=lambda _: bytes([left.pop(0)]) if left else b""))
    poll = types.SimpleNamespace(register=lambda *_: None, poll=lambda _: bool(left))
    frames: Any = types.SimpleNamespace(crc32=crc32, send=lambda _, payload: acknowledged.append(payload))
    board.loaded["frames"] = frames
    board.loaded["select"] = types.SimpleNamespace(poll=lambda: poll, POLLIN=1)  # type: ignore[assignment]
    board.loaded["sys"] = types.SimpleNamespace(stdin=stdin)  # type: ignore[assignment]
    box = board.load("inbox").Inbox(size)
    lines = []
    while (line := box.line()) is not None:
        lines.append(line)
    return lines, sum(int.from_bytes(each, "little") for each in acknowledged)


@given(LINES)
def test_lines_come_as_they_were_sent(lines: list[bytes]) -> None:
    found, _ = taken(sent(lines))
    assert found == lines


def test_numbers_go_round_and_all_is_acknowledged() -> None:
    lines = [b"x%d" % k for k in range(300)]
    data = sent(lines)
    assert taken(data) == (lines, len(data))


@given(LINES, st.integers(0), st.integers(1, 255))
def test_a_changed_byte_ends_it_or_is_of_an_empty_line(lines: list[bytes], place: int, change: int) -> None:
    data = bytearray(sent([*lines, b"end"]))
    data[place % len(data)] ^= change
    begun = []
    try:
        begun, _ = taken(bytes(data))
    except ValueError:
        return
    full = [line for line in [*lines, b"end"] if line]
    assert [line for line in begun if line] == full[: len([line for line in begun if line])]


@given(LINES.filter(lambda lines: sum(map(bool, lines)) > 1), st.integers(0))
def test_a_lost_or_repeated_line_ends_it(lines: list[bytes], place: int) -> None:
    parts = [line for line in sent(lines).splitlines(keepends=True) if line != b"\n"]
    place %= len(parts) - 1
    for broken in (parts[:place] + parts[place + 1 :], parts[: place + 1] + parts[place:]):
        with pytest.raises(ValueError, match="damaged, lost or repeated on its way"):
            taken(b"".join(broken))


def test_the_longest_line_fits_and_a_longer_one_ends_it() -> None:
    assert taken(sent([b"x" * LONGEST_LINE]))[0] == [b"x" * LONGEST_LINE]
    with pytest.raises(ValueError, match="line 0 damaged"):
        taken(sent([b"x" * (LONGEST_LINE + 2)]))
