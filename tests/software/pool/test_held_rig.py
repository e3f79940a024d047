"""One rig of a pool for one process: the first free one, and never one that another has."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from harness.base.errors import BenchBusy, BenchError
from harness.bench import locks
from harness.bench.locks import DeviceLocks
from harness.bench.opening import devices_of
from harness.pool import Pool, load_pool, take
from tests.software.run.fakes import ROOT

TAKER = """
import sys, tempfile
from pathlib import Path
tempfile.tempdir = sys.argv[4]
from harness.base.errors import BenchBusy
from harness.pool import load_pool, take
pool = load_pool(Path(sys.argv[1]))
print("ready", flush=True)
sys.stdin.readline()
try:
    taken = take(pool, first=int(sys.argv[2]), run=Path(sys.argv[3]))
    print(taken.entry.name, flush=True)
except BenchBusy as error:
    print(error, flush=True)
sys.stdin.readline()
"""


@pytest.fixture(autouse=True)
def own_locks(tmp_path, monkeypatch):
    """Not those of whoever else runs tests here."""
    (tmp_path / "locks").mkdir()
    monkeypatch.setattr(locks.tempfile, "gettempdir", lambda: str(tmp_path / "locks"))


@pytest.fixture
def pool(tmp_path: Path, rig_file) -> Pool:
    rig_file("a", "rfc2217://bench-1:4000")
    rig_file("b", "rfc2217://bench-2:4000")
    rig_file("c", "rfc2217://bench-3:4000")
    (tmp_path / "pool.toml").write_text('schema = 1\nrigs = ["a.toml", "b.toml", "c.toml"]\n')
    return load_pool(tmp_path / "pool.toml")


def test_the_first_free_one_from_a_place_on_and_round(pool):
    second = take(pool, first=1)
    assert second.entry.name == "b"
    assert set(second.locks.devices) == set(devices_of(second.entry.spec))
    third = take(pool, first=1)
    first = take(pool, first=1)
    assert (third.entry.name, first.entry.name) == ("c", "a")
    with pytest.raises(BenchBusy) as caught:
        take(pool, first=1)
    said = str(caught.value)
    assert said.startswith("no rig of pool.toml can be had: b: ")
    assert said.count("in use by process ") == 3
    assert "\n" not in said
    second.release()
    assert take(pool).entry.name == "b"


def test_one_busy_instrument_keeps_a_rig_from_being_taken_and_nothing_of_it_held(pool):
    busy = devices_of(pool.entries[0].spec)[-1]
    with DeviceLocks() as somebody:
        somebody.hold([busy])
        assert take(pool).entry.name == "b"
        somebody.hold(devices_of(pool.entries[0].spec))


def test_a_board_that_is_not_plugged_in_leaves_the_others(tmp_path, rig_file):
    rig_file("a", "usb:NONE")
    rig_file("b", "rfc2217://bench-2:4000")
    (tmp_path / "pool.toml").write_text('schema = 1\nrigs = ["a.toml", "b.toml"]\n')
    pool = load_pool(tmp_path / "pool.toml")
    taken = take(pool)
    assert taken.entry.name == "b"
    with pytest.raises(BenchBusy, match=r"a: usb:NONE: expected a USB serial port with serial number NONE, .* \| b: "):
        take(pool)


def test_a_store_that_cannot_be_asked_is_not_a_rig_in_use(tmp_path, rig_file):
    rig_file("a", "rfc2217://bench-1:4000")
    (tmp_path / "pool.toml").write_text(f'schema = 1\nrigs = ["a.toml"]\nstore = "postgresql:///lab?host={tmp_path}"\n')
    pool = load_pool(tmp_path / "pool.toml")
    with pytest.raises(BenchError, match="cannot ask whether another host drives this rig"):
        take(pool)
    with DeviceLocks() as somebody:
        somebody.hold(devices_of(pool.entries[0].spec))


@pytest.mark.parametrize("real", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_processes_that_race_never_have_the_same_rig(tmp_path, rig_file, real):
    """Five for four rigs, all from the same place, so that each is fought for."""
    simulated = str(ROOT / "rigs_demo" / "rigs" / "sluice.toml")
    for name in "abcd":
        rig_file(name, f"rfc2217://bench-{name}:4000")
    rigs = [f"{name}.toml" if real else simulated for name in "abcd"]
    (tmp_path / "pool.toml").write_text(f"schema = 1\nrigs = {rigs!r}\n")
    run = tmp_path / "run"
    run.mkdir()
    words = [sys.executable, "-c", TAKER, str(tmp_path / "pool.toml"), "0", str(run), str(tmp_path / "locks")]
    processes = [
        subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) for _ in range(5)
    ]
    try:
        for process in processes:
            assert process.stdout is not None and process.stdout.readline() == "ready\n"
        for process in processes:
            assert process.stdin is not None
            process.stdin.write("\n")
            process.stdin.flush()
        said = [process.stdout.readline().strip() for process in processes if process.stdout is not None]
    finally:
        for process in processes:
            process.kill()
            process.communicate()
    names = [entry.name for entry in load_pool(tmp_path / "pool.toml").entries]
    assert sorted(line for line in said if not line.startswith("no rig")) == sorted(names)
    assert len([line for line in said if line.startswith("no rig of pool.toml can be had: ")]) == 1


def test_a_pool_with_a_store_is_shared_among_hosts(tmp_path, rig_file, cluster, monkeypatch):
    rig_file("a", "rfc2217://bench-1:4000")
    rig_file("b", "/dev/ttyACM0")
    (tmp_path / "pool.toml").write_text(f'schema = 1\nrigs = ["a.toml", "b.toml"]\nstore = "{cluster}"\n')
    pool = load_pool(tmp_path / "pool.toml")
    here = take(pool)
    (tmp_path / "there").mkdir()
    monkeypatch.setattr(locks.tempfile, "gettempdir", lambda: str(tmp_path / "there"))  # sees none of those files
    there = take(pool)
    assert (here.entry.name, there.entry.name) == ("a", "b")
    with pytest.raises(BenchBusy, match=r"a: .* in use by process \d+ of .*@.*, started 20.* \| b: "):
        take(pool)
    here.release()
    assert take(pool).entry.name == "a"
    there.release()
