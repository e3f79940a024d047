"""What a person can do to a running qualification, on the simulated bench: the motors end unpowered every time."""

from __future__ import annotations

import os
import signal
import subprocess
from pathlib import Path

import pytest

from harness.base.errors import BenchBusy
from harness.bench.opening import open_rig
from harness.bench.supply import Supply
from harness.bench.visa import Session
from harness.record import read
from harness.rigfile import load
from tests.bench.conftest import StandAlone, rotorgate, start
from tests.patience import PATIENCE_S, until

pytestmark = [pytest.mark.board, pytest.mark.skipif(os.name != "posix", reason="the simulated bench needs POSIX")]


def supply_of(bench: StandAlone) -> Supply:
    """A second connection to the bench's supply, to look at its output."""
    entry = load(bench.rig_file).instrument["supply"]
    return Supply(
        Session.open("looking", entry.address, timeout_s=PATIENCE_S),
        voltage_accuracy=entry.voltage_accuracy,
        current_accuracy=entry.current_accuracy,
    )


def begin(bench: StandAlone, folder: Path) -> tuple[subprocess.Popen[str], Supply]:
    """Start a qualification and wait until the supply is proven on and observations come."""
    command = start("qualify", str(bench.rig_file), "--only", "commutation", "--out", "run", cwd=folder)
    supply = supply_of(bench)
    until(supply.output_enabled, "supply on")
    until(lambda: any((folder / "run" / "observations").glob("*.npy")), "a first observation")
    return command, supply


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGINT, marks=pytest.mark.slow),
        signal.SIGTERM,
        pytest.param(signal.SIGHUP, marks=pytest.mark.slow),
    ],
    ids=lambda number: number.name,
)
def test_a_signal_makes_safe_records_and_ends_with_3(bench, tmp_path, number):
    command, supply = begin(bench, tmp_path)
    command.send_signal(number)
    command.send_signal(signal.SIGINT)  # a second one must not abort the making safe
    output, errors = command.communicate(timeout=PATIENCE_S)
    assert command.returncode == 3, errors
    assert "stopped by" in output
    assert "Traceback" not in output + errors
    assert not supply.output_enabled()
    record = read(tmp_path / "run")
    assert not record.finished
    assert record.stop.kind == "bench"
    kept = {path.name for path in (tmp_path / "run" / "observations").iterdir()}
    assert kept == {f"{observation.name}.npy" for observation in record.observations()} != set()
    assert "unfinished" in (tmp_path / "run" / "report.html").read_text().lower()


def test_a_host_that_is_killed_leaves_the_supply_to_the_guard(bench, tmp_path):
    command, supply = begin(bench, tmp_path)
    # Kept is what the record names: the file before it is there a moment earlier, and SIGKILL waits for nothing.
    until(lambda: read(tmp_path / "run").observations(), "an observation in the record")
    assert supply.output_enabled()
    command.kill()
    command.communicate()
    until(lambda: not supply.output_enabled(), "supply off")
    log = tmp_path / "run" / "guard.log"
    until(lambda: log.exists() and "supply output off" in log.read_text(), "the guard's note")
    assert "the host has ended without a word" in log.read_text()
    assert read(tmp_path / "run").observations()
    done = rotorgate("report", "run", cwd=tmp_path)
    assert done.returncode == 0
    assert "of an unfinished run" in done.stdout


@pytest.mark.slow
def test_a_second_command_is_refused_and_told_who_holds_the_rig(bench, tmp_path):
    command, supply = begin(bench, tmp_path)
    second = rotorgate("qualify", str(bench.rig_file), "--only", "commutation", "--out", "second", cwd=tmp_path)
    assert second.returncode == 3
    assert f"in use by process {command.pid} of" in second.stderr
    assert supply.output_enabled()
    assert not (tmp_path / "second").exists()
    command.send_signal(signal.SIGTERM)
    command.communicate(timeout=PATIENCE_S)


@pytest.mark.slow
def test_a_unplugged_bench_ends_with_3_and_a_record(bench, tmp_path):
    command, supply = begin(bench, tmp_path)
    supply.close()
    bench.process.kill()
    output, errors = command.communicate(timeout=PATIENCE_S)
    assert command.returncode == 3, output + errors
    assert "Traceback" not in output + errors
    assert not read(tmp_path / "run").finished


def test_looking_switches_nothing_and_reports_an_output_that_is_on(bench, tmp_path):
    with supply_of(bench) as supply:
        supply.configure(voltage_v=12.0, current_limit_a=1.0, protection_v=14.0)
        supply.output_on()
        done = rotorgate("inspect", str(bench.rig_file), cwd=tmp_path)
        assert "its output is ON; nothing was switched" in done.stdout, done.stdout + done.stderr
        assert supply.output_enabled()


def test_the_same_device_in_two_rig_files_is_one_device(bench, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(bench.rig_file.read_text().replace('name = "sluice"', 'name = "other"'))
    with open_rig(load(bench.rig_file), seed=1), pytest.raises(BenchBusy, match=f"in use by process {os.getpid()}"):
        open_rig(load(other), seed=1).__enter__()


def test_opening_leaves_everything_off(bench):
    with supply_of(bench) as supply:  # opened before, for this bench ends when its last client has left
        with open_rig(load(bench.rig_file), seed=1) as rig:
            assert not supply.output_enabled()
            rig.power_on()
            assert supply.output_enabled()
        assert not supply.output_enabled()
