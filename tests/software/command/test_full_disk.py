"""A disk with no room left: one line, 3, and whatever can still be done is done."""

from __future__ import annotations

import errno
import logging
import os
import shutil
from pathlib import Path

import pytest

from harness.base.disk import unwritten
from harness.base.errors import DiskFull, UsageError
from harness.command import main as cli
from harness.report import page

RECORD = Path(__file__).resolve().parents[1] / "record" / "schema_1_of_2026_11_29"
FULL = Path("/dev/full")
ALWAYS_FULL = pytest.mark.skipif(not FULL.exists(), reason="no device here that is always full")


@pytest.mark.parametrize(
    ("number", "kind"),
    [(errno.ENOSPC, DiskFull), (errno.EDQUOT, DiskFull), (errno.EACCES, UsageError), (errno.ENOENT, UsageError)],
)
def test_no_room_is_no_mistake_of_who_asked(number: int, kind: type[Exception]) -> None:
    error = unwritten(UsageError, "--out x: cannot write", OSError(number, os.strerror(number)))
    assert type(error) is kind
    assert str(error) == f"--out x: cannot write: {os.strerror(number)}"


@ALWAYS_FULL
def test_a_log_that_takes_nothing_is_said_once_and_the_rest_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    with cli.logged(str(FULL)) as log:
        for _ in range(3):
            logging.getLogger("harness.link").debug("nothing in particular")
    assert log is not None
    assert not log.whole
    said = "rotorgate: --log /dev/full: cannot write: No space left on device; what comes is not in it\n"
    assert capsys.readouterr().err == said


@ALWAYS_FULL
def test_a_command_whose_log_is_not_whole_ends_with_3(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def noisy(_arguments: object) -> int:
        logging.getLogger("harness.link").debug("nothing in particular")
        return 1

    monkeypatch.setattr(cli, "_runner", lambda _command: noisy)
    assert cli.main(["report", "x"]) == 1
    assert cli.main(["--log", str(tmp_path / "traffic.log"), "report", "x"]) == 1
    assert cli.main(["--log", str(FULL), "report", "x"]) == 3


def test_a_page_that_does_not_fit_is_one_line_and_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    shutil.copytree(RECORD, tmp_path / "run")
    monkeypatch.setattr(page, "write_text", refused)
    assert cli.main(["report", str(tmp_path / "run")]) == 3
    said = capsys.readouterr().err
    assert said == f"rotorgate: {tmp_path}/run/report.html: cannot write: No space left on device\n"


def test_a_template_that_does_not_fit_leaves_nothing_that_stands_in_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    new = tmp_path / "new.toml"
    with monkeypatch.context() as full:
        full.setattr(os, "fsync", refused)
        assert cli.main(["inspect", "--new", str(new)]) == 3
    assert capsys.readouterr().err == f"rotorgate: --new {new}: cannot write: No space left on device\n"
    assert list(tmp_path.iterdir()) == []
    assert cli.main(["inspect", "--new", str(new)]) == 0
    assert cli.main(["inspect", "--new", str(new)]) == 4, "what is there is never written over"
