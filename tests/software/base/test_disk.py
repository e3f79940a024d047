"""What is written lands in its folder, whole; what is read is a file."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from harness.base import disk

posix = pytest.mark.skipif(sys.platform == "win32", reason="no such links and pipes")


@pytest.fixture
def precious(tmp_path: Path) -> Path:
    """A file outside the folder that is written to."""
    path = tmp_path / "precious"
    path.write_text("precious")
    (tmp_path / "folder").mkdir()
    return path


@posix
def test_a_link_is_replaced_and_what_it_leads_to_stays(precious: Path) -> None:
    page = precious.parent / "folder" / "page"
    page.symlink_to(precious)
    disk.write_text(page, "new")
    assert (page.is_symlink(), page.read_text(), precious.read_text()) == (False, "new", "precious")


@posix
def test_a_link_that_lies_where_files_are_made_is_not_followed(precious: Path) -> None:
    """As the name of the file beside was, before it was one that nobody can know."""
    folder = precious.parent / "folder"
    (folder / ".page.part").symlink_to(precious)
    disk.write_text(folder / "page", "new")
    assert precious.read_text() == "precious"


@posix
def test_nothing_is_added_through_a_link(precious: Path) -> None:
    log = precious.parent / "folder" / "log"
    log.symlink_to(precious)
    with pytest.raises(OSError, match="a link, which is not followed"):
        disk.append_text(log, "more")
    assert precious.read_text() == "precious"
    log.unlink()
    disk.append_text(log, "one\n")
    disk.append_text(log, "two\n")
    assert log.read_text() == "one\ntwo\n"


@posix
def test_nothing_but_a_file_is_read_or_replaced(tmp_path: Path) -> None:
    """A pipe would be waited for; whoever may replace a device would have a file in its place."""
    (tmp_path / "link").symlink_to(tmp_path / "file")
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name in ("pipe", "folder", os.devnull):
        for act in (disk.read_bytes, lambda path: disk.write_text(path, ""), lambda path: disk.append_text(path, "")):
            with pytest.raises(OSError):
                act(tmp_path / name)
    with pytest.raises(OSError, match="a link, which is not followed"):
        disk.read_bytes(tmp_path / "link")
    with pytest.raises(OSError, match="no name of a file"):
        disk.read_bytes(tmp_path / "a\0b")
    assert not Path(os.devnull).is_file()


def test_no_more_is_read_than_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"abcd")
    assert disk.read_bytes(path, 4) == b"abcd"
    assert disk.beginning_of(path, 2) == b"ab"
    with pytest.raises(OSError, match="expected at most 3 bytes, found more"):
        disk.read_bytes(path, 3)


def test_what_cannot_be_written_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("before")

    def fail(stream: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        disk.write_synced(path, fail)
    assert [(found.name, found.read_text()) for found in tmp_path.iterdir()] == [("file", "before")]
