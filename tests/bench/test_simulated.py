"""Starting the simulated bench from a rig file: its own scenarios and module only, and clear words where it fails."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from harness.base.errors import BenchError, UsageError
from harness.bench.opening import addressed, open_rig
from harness.bench.simulated import SimulatedBench
from harness.rigfile import loads
from tests.bench.conftest import rotorgate
from tests.patience import PATIENCE_S, has_ended, until
from tests.results import ROOT
from tests.software.run.fakes import SLUICE

pytestmark = pytest.mark.board


def spec(*changes: tuple[str, str]):
    text = SLUICE.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return loads(text.encode(), "sluice.toml")


def test_only_shipped_scenarios_are_started():
    with pytest.raises(UsageError, match=r"simulated bench: .*nowhere"):
        SimulatedBench("nowhere", seed=1)


def test_an_unknown_rig_fault_is_wrong_use():
    with pytest.raises(UsageError, match=r"simulated bench: .*no-such-thing"):
        SimulatedBench("sluice", seed=1, faults=("no-such-thing",))


def test_where_the_bench_is_not_installed_it_says_so():
    with pytest.raises(BenchError, match=r"rigs_demo is not installed here: python -m pip install 'rotorgate\[demo\]'"):
        SimulatedBench("sluice", seed=1, bench="rigs_demo_absent")


def test_an_instrument_that_the_scenario_lacks_is_named():
    wrong = spec(("simulated:sluice/thermometer", "simulated:sluice/barometer"))
    with pytest.raises(UsageError, match=r"instrument.thermometer.address: the scenario sluice has no barometer"):
        addressed(wrong, seed=1).__enter__()


def test_a_folder_of_that_name_in_the_working_directory_is_not_run(tmp_path):
    (tmp_path / "rigs_demo").mkdir()
    (tmp_path / "rigs_demo" / "__init__.py").write_text("raise SystemExit('trespasser')")
    (tmp_path / "rigs_demo" / "__main__.py").write_text("raise SystemExit('trespasser')")
    done = rotorgate("inspect", str(SLUICE), cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "trespasser" not in done.stdout + done.stderr


def test_a_bench_that_dies_is_named_with_its_last_words():
    started: list[SimulatedBench] = []

    class Noted(SimulatedBench):
        def __enter__(self) -> SimulatedBench:
            started.append(self)
            return self

    with (
        pytest.raises(BenchError, match="the simulated bench has ended by itself with code -9"),
        addressed(spec(), seed=1, simulated_bench=Noted) as there,
        open_rig(there, seed=1) as rig,
    ):
        os.kill(started[0].pid, signal.SIGKILL)
        rig.board.execute("1")


def test_a_bench_that_was_started_here_leaves_no_locks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with open_rig(spec(), seed=1) as rig:
        assert rig.board.execute("print(1)").strip() == "1"
    assert list(tmp_path.iterdir()) == []


HOST = """
from harness.bench.simulated import SimulatedBench
with SimulatedBench("sluice", seed=1, bench="tests.software.simulated_bench.impatient") as bench:
    print(bench.pid, bench.rig_file.parent, flush=True)
    input()
"""


@pytest.mark.parametrize("killed", ["host", "bench"])
def test_whichever_of_host_and_bench_is_killed_the_other_leaves_nothing_behind(killed: str):
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    host = subprocess.Popen(
        [sys.executable, "-c", HOST], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    )
    assert host.stdin is not None and host.stdout is not None
    pid, folder = host.stdout.readline().split()
    assert list(Path(folder).glob("rotorgate-flash-*"))
    if killed == "host":
        host.kill()
    else:
        os.kill(int(pid), signal.SIGKILL)
        host.stdin.write("\n")
    host.communicate(timeout=PATIENCE_S)
    until(lambda: has_ended(int(pid)) and not Path(folder).exists(), "the end of the bench and of its folder")
