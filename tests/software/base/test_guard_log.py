"""What the guard of a supply notes is read again, whatever stands in the file."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from harness.base.guard_log import add_note, last_note


@given(st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1))
def test_the_last_note_is_read_without_when_and_who(tmp_path_factory, text: str) -> None:
    log = tmp_path_factory.mktemp("notes") / "guard.log"
    add_note(log, "the host has ended: switching off")
    add_note(log, f"not yet: {text}")
    assert last_note(log) == f"not yet: {text}"


def test_what_is_no_note_is_said_as_it_stands_and_nothing_where_there_is_none(tmp_path: Path) -> None:
    log = tmp_path / "guard.log"
    assert last_note(log) == ""
    log.write_bytes(b"cut\xff off\n\n")
    assert last_note(log) == "cut\ufffd off"
    add_note(tmp_path / "gone" / "guard.log", "lost")
    assert not (tmp_path / "gone").exists()
