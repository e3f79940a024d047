"""Locks on devices: from two processes, after a holder's death, however a device is spelled."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.base.errors import BenchBusy, BenchError, ExitCode
from harness.bench import locks
from harness.bench.devices import board_device, port_device, visa_device
from harness.bench.locks import DeviceLocks, lock_folder, user

HOLDER = """
import sys
from pathlib import Path
from harness.bench.locks import DeviceLocks
with DeviceLocks(Path(sys.argv[1])) as locks:
    locks.hold(sys.argv[2:])
    print("held", flush=True)
    sys.stdin.read()
"""


def hold_devices(devices: list[str], folder: Path) -> DeviceLocks:
    held = DeviceLocks(folder)
    held.hold(devices)
    return held


@contextmanager
def another_process_holds(folder: Path, *devices: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder), *devices], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def test_the_second_process_is_refused_and_told_who_holds_it(tmp_path: Path) -> None:
    with another_process_holds(tmp_path, "port /dev/ttyACM0", "instrument A") as process:
        with pytest.raises(BenchBusy) as caught:
            hold_devices(["instrument A"], tmp_path)
        words = f"instrument A: in use by process {process.pid} of {user()}, started "
        assert re.match(re.escape(words) + r"20\d\d-\d\d-\d\dT[0-9:]+\+00:00;", str(caught.value))
        assert caught.value.exit_code is ExitCode.BENCH
        hold_devices(["instrument B"], tmp_path).release()


def test_all_or_none(tmp_path: Path) -> None:
    with another_process_holds(tmp_path, "b"), pytest.raises(BenchBusy, match=r"^b: in use"):
        hold_devices(["c", "b", "a"], tmp_path)
    with another_process_holds(tmp_path, "a", "c"):
        pass


def test_free_at_once_when_the_holder_is_killed(tmp_path: Path) -> None:
    with another_process_holds(tmp_path, "a") as process:
        process.kill()
        process.wait()
        assert list(tmp_path.glob("*.holder"))  # its note is stale
        with hold_devices(["a"], tmp_path):
            (note,) = tmp_path.glob("*.holder")
            assert json.loads(note.read_text())["pid"] == os.getpid()


def test_free_after_an_orderly_end(tmp_path: Path) -> None:
    with hold_devices(["a", "b"], tmp_path) as held:
        assert held.devices == ("a", "b")
    assert held.devices == ()
    with another_process_holds(tmp_path, "a", "b"):
        pass


def test_one_process_cannot_hold_it_twice_unknowingly(tmp_path: Path) -> None:
    with hold_devices(["a"], tmp_path) as held:
        with pytest.raises(BenchBusy, match=f"in use by process {os.getpid()}"):
            DeviceLocks(tmp_path).hold(["a"])
        held.hold(["a", "b"])  # adding the board's id once it is known
        assert held.devices == ("a", "b")


def test_a_damaged_note_costs_only_its_words(tmp_path: Path) -> None:
    with another_process_holds(tmp_path, "a"):
        (note,) = tmp_path.glob("*.holder")
        for text in ("", "[]", '{"pid": 1}', "\x1b[2J"):
            note.write_text(text)
            with pytest.raises(BenchBusy, match="a: in use by another process that has just taken it"):
                hold_devices(["a"], tmp_path)


def test_devices_that_look_alike_in_a_file_name_are_two(tmp_path: Path) -> None:
    with hold_devices(["port /dev/a b", "port /dev/a-b", "p" * 300, "p" * 299], tmp_path) as held:
        assert len(held.devices) == 4


def test_an_unusable_folder_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"^a: cannot lock it with .*none.*: "):
        hold_devices(["a"], tmp_path / "file" / "none") if (tmp_path / "file").write_text("") == 0 else None


def test_folder_is_private_and_nobody_elses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(locks.tempfile, "gettempdir", lambda: str(tmp_path))
    folder = lock_folder()
    assert folder.parent == tmp_path
    if os.name == "posix":
        assert folder.stat().st_mode & 0o777 == 0o700
    folder.rmdir()
    (tmp_path / "elsewhere").mkdir()
    folder.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BenchError, match="belongs to somebody else"):
        lock_folder()


def test_a_user_without_a_name_is_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def nameless() -> str:
        raise KeyError("uid not found")

    monkeypatch.setattr(locks.getpass, "getuser", nameless)
    assert user() == str(os.getuid())


def test_a_device_is_one_however_it_is_spelled(tmp_path: Path) -> None:
    assert visa_device("tcpip::127.0.0.1::5025::socket") == visa_device("TCPIP0::127.0.0.1::5025::SOCKET")
    assert visa_device("nonsense") == "instrument NONSENSE"
    assert board_device("E66118") == board_device("e66118")
    assert port_device("com3") == port_device("COM3")
    assert port_device("socket://Host:1") == port_device("rfc2217://host:1?timeout=5") == "network port host:1"
    assert port_device("loop://") == "port loop://"
    port = tmp_path / "ttyACM0"
    port.touch()
    link = tmp_path / "by-id"
    link.symlink_to(port)
    assert port_device(str(link)) == port_device(str(port))


def test_lasting_locks_outlive_their_contexts_until_released(tmp_path):
    ours, other = DeviceLocks(tmp_path, lasting=True), DeviceLocks(tmp_path)
    for _ in range(2):
        with ours:
            ours.hold(["port x"])
        with pytest.raises(BenchBusy, match="port x: in use by process"):
            other.hold(["port x"])
    ours.release()
    other.hold(["port x"])
    other.release()
