"""A folder that a stranger filled: nothing is written out of it, nothing waited for, and what is damaged is said."""

from __future__ import annotations

import io
import os
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode, RecordError
from harness.base.guard_log import add_note
from harness.command.main import main
from harness.nouns.observation import Column
from harness.record.entries import ObservationEntry
from harness.record.raw import observation_of
from harness.report import write_report
from tests.software.store.records import begun, written

OBSERVATION = "observations/leaf.stiffness.n0.npy"
posix = pytest.mark.skipif(sys.platform == "win32", reason="no such links and pipes")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "precious").write_text("precious")
    return written(tmp_path / "run")


@posix
@pytest.mark.parametrize("name", ["report.html", ".report.html.part", "guard.log", "record.json", "defect.txt"])
def test_nothing_is_written_through_a_link(folder: Path, name: str) -> None:
    precious = folder.parent / "precious"
    (folder / name).unlink(missing_ok=True)
    (folder / name).symlink_to(precious)
    code = main(["report", str(folder)])
    assert code == (ExitCode.USAGE if name == "record.json" else ExitCode.AGREES)
    add_note(folder / "guard.log", "a word")
    assert precious.read_text() == "precious"


@posix
def test_no_record_is_begun_in_a_folder_whose_observations_lie_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "observations").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RecordError, match="observations: a link, which is not followed; choose another folder"):
        begun(tmp_path / "run")


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _link(path: Path) -> None:
    path.symlink_to(path.parents[len(path.parents) - 2])


@posix
@pytest.mark.parametrize("put", [_pipe, _link, Path.mkdir])
@pytest.mark.parametrize("name", ["record.json", OBSERVATION])
def test_what_is_no_file_is_said_and_not_waited_for(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str, put: Callable[[Path], None]
) -> None:
    (folder / name).unlink()
    put(folder / name)
    assert main(["keep", str(folder), "--store", str(folder.parent / "store.sqlite")]) == ExitCode.USAGE
    assert len(capsys.readouterr().err.splitlines()) == 1


@posix
@pytest.mark.parametrize("name", ["guard.log", "report.html"])
def test_a_pipe_beside_a_record_holds_no_page_up(folder: Path, name: str) -> None:
    os.mkfifo(folder / name)
    if name == "report.html":
        with pytest.raises(RecordError, match=r"report\.html: cannot write: expected a file"):
            write_report(folder)
    else:
        assert write_report(folder).is_file()
        add_note(folder / name, "a word")


def _npz(data: bytes) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, np.load(io.BytesIO(data)))
    return stream.getvalue()


def _zip(data: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("a.npy", data)
    return stream.getvalue()[:-4]


def _shape(rows: str) -> Callable[[bytes], bytes]:
    def change(data: bytes) -> bytes:
        old = b"'shape': (4,), }"
        assert old in data
        new = f"'shape': {rows}, }}".encode()
        head, _, rest = data.partition(old)
        return head + new + rest[max(0, len(new) - len(old)) :]

    return change


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "nothing": lambda data: b"",
    "npz": _npz,
    "broken zip": _zip,
    "cut": lambda data: data[:-1],
    "longer": lambda data: data + b"\0",
    "745 GiB": _shape("(99999999999,)"),
    "more than a machine's numbers": _shape("(9" + "9" * 30 + ",)"),
    "below zero": _shape("(-4,)"),
    "true": _shape("(True,)"),
    "no shape": _shape("None"),
    "version 9": lambda data: data[:6] + b"\x09" + data[7:],
    "header of 64 kB": lambda data: data[:8] + b"\xff\xff" + data[10:],
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_file_of_samples_is_one_line_and_exit_4(
    folder: Path, capsys: pytest.CaptureFixture[str], damage: str
) -> None:
    path = folder / OBSERVATION
    path.write_bytes(DAMAGES[damage](path.read_bytes()))
    assert main(["keep", str(folder), "--store", str(folder.parent / "store.sqlite")]) == ExitCode.USAGE
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{OBSERVATION}: cannot read the observation: " in line
    assert len(line) < 400 + len(str(folder))


_STREAM = io.BytesIO()
np.save(_STREAM, np.array([(1,), (2,), (3,)], dtype=[("count", "<i8")]))
SOUND = _STREAM.getvalue()
ENTRY = ObservationEntry(name="n0", file="observations/n0.npy", columns=(Column(name="count", unit="rad"),))


@given(st.integers(0, len(SOUND) * 8 - 1), st.binary(max_size=3))
def test_no_flipped_bit_is_anything_but_samples_or_a_record_error(bit: int, behind: bytes) -> None:
    data = bytearray(SOUND)
    data[bit // 8] ^= 1 << bit % 8
    try:
        observation = observation_of(ENTRY, bytes(data) + behind, Path("x.npy"))
    except RecordError as error:
        assert "\n" not in str(error)
    else:
        assert observation.data.shape == (3,) and not behind
