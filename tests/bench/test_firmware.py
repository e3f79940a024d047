"""`qualify --firmware` as a person runs it: another firmware, one that runs away, a broken one, and the way back."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from harness.bench.opening import open_rig
from harness.record import read
from harness.rigfile import load
from tests.bench.conftest import rotorgate, stand_alone, start
from tests.patience import until

pytestmark = pytest.mark.board

ROOT = Path(__file__).resolve().parents[2]
SLUICE = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
FIRMWARE = ROOT / "rigs_demo" / "firmware" / "sluice_drive.py"
DEMAND = "max(-LIMIT, min(LIMIT, error * GAIN))"


def firmware(folder: Path, old: str, new: str) -> Path:
    """The demo's firmware with one change."""
    text = FIRMWARE.read_text(encoding="utf-8")
    assert text.count(old) == 1
    folder.mkdir()
    (folder / "sluice_drive.py").write_text(text.replace(old, new), encoding="utf-8")
    return folder


@pytest.mark.slow
def test_another_firmware_is_what_is_qualified_and_the_old_one_comes_back(tmp_path):
    new = firmware(tmp_path / "new", "1.4.0", "1.5.0")
    words = ("--only", "commutation", "--seed", "5", "--firmware", "new", "--restore", "--out", "run")
    done = rotorgate("qualify", str(SLUICE), *words, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    firmware_then = read(tmp_path / "run").firmware
    assert firmware_then.version == "1.5.0"
    assert firmware_then.sha256 == hashlib.sha256((new / "sluice_drive.py").read_bytes()).hexdigest()
    assert not list((tmp_path / "state").rglob("*.json")), "the backup is kept although the old firmware is back"


@pytest.mark.slow
def test_a_loop_that_runs_away_is_stopped_and_the_other_motor_is_measured(tmp_path):
    """It is right of errors that are small, or nearly half a turn, which is all that the check of conduct asks of."""
    wrong = "max(-32767, min(32767, -error * GAIN))"
    runaway = f"{DEMAND} if m is _motors[1] or not 200 <= abs(error) < 14000 else {wrong}"
    firmware(tmp_path / "new", DEMAND, runaway)
    words = ("--only", "step", "--seed", "5", "--firmware", "new", "--out", "run")
    done = rotorgate("qualify", str(SLUICE), *words, cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "the board was stopped in leaf step: " in done.stdout
    assert "cause: leaf: the closed loop does not hold this motor within the limits" in done.stdout
    record = read(tmp_path / "run")
    assert record.finished
    verdicts = {verdict.name: verdict for verdict in record.verdicts}
    assert verdicts["leaf.step.limits"].outcome == "nonconforming"
    assert verdicts["leaf.step.limits"].reason.endswith((" rad", " rad/s"))
    assert verdicts["leaf.step.delay"].outcome == "not run"
    assert verdicts["wheel.step.natural_frequency"].outcome == "agrees"


@pytest.mark.slow
def test_a_loop_of_the_wrong_sense_is_let_go_at_a_small_move_and_not_closed_again(tmp_path):
    firmware(tmp_path / "new", DEMAND, f"{DEMAND} if m is _motors[1] else max(-LIMIT, min(LIMIT, -error * GAIN))")
    words = ("--only", "step", "--seed", "5", "--firmware", "new", "--out", "run")
    done = rotorgate("qualify", str(SLUICE), *words, cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    # At its first move, or as soon as it is closed where the arm has come to rest at an edge of what friction bears.
    (cause,) = (line for line in done.stdout.splitlines() if line.startswith("cause: "))
    assert "leaf: the loop drives the shaft the other way: wrong sign" in cause or "runs off as soon as" in cause
    verdicts = {verdict.name: verdict for verdict in read(tmp_path / "run").verdicts}
    assert verdicts["leaf.conduct.following"].outcome == "differs"
    assert verdicts["leaf.step.delay"].outcome == "not run"
    assert verdicts["wheel.step.natural_frequency"].outcome == "agrees"


def test_a_firmware_that_cannot_be_imported_is_named_with_the_line(tmp_path):
    firmware(tmp_path / "new", "def declare(motor):", "def declare(motor:")
    done = rotorgate("qualify", str(SLUICE), "--firmware", "new", "--restore", "--out", "run", cwd=tmp_path)
    assert done.returncode == 1
    said = done.stderr.splitlines()[-1]
    assert said.startswith("rotorgate: firmware sluice_drive: cannot be imported or asked: SyntaxError")
    assert 'File "sluice_drive.py", line ' in said
    assert "ended by itself" not in said
    record = read(tmp_path / "run")
    assert [verdict.name for verdict in record.verdicts] == ["conduct.import"]
    assert record.hashes.firmware == hashlib.sha256((tmp_path / "new" / "sluice_drive.py").read_bytes()).hexdigest()
    assert not list((tmp_path / "state").rglob("*.json"))


@pytest.mark.slow
def test_what_a_killed_run_left_is_put_back_by_restore_alone(tmp_path):
    firmware(tmp_path / "new", "1.4.0", "1.5.0")
    with stand_alone(tmp_path, "sluice", "--wall-clock") as bench:  # this one outlives its hosts
        text = bench.rig_file.read_text(encoding="utf-8")
        # A machine that is busy with other tests may be silent for longer than the demo's board allows.
        bench.rig_file.write_text(text.replace("deadman_s = 0.3", "deadman_s = 2.0"), encoding="utf-8")
        rig = str(bench.rig_file)
        command = start("qualify", rig, "--only", "commutation", "--firmware", "new", "--out", "run", cwd=tmp_path)
        until(lambda: any((tmp_path / "run").glob("observations/*.npy")), "a first observation")
        command.kill()
        command.communicate()
        log = tmp_path / "run" / "guard.log"
        until(lambda: log.exists() and "supply output off" in log.read_text(), "the guard's note")
        assert read(tmp_path / "run").declared["leaf"].version == "1.5.0"
        assert list((tmp_path / "state").rglob("*.json"))
        done = rotorgate("qualify", rig, "--only", "commutation", "--restore", "--out", "again", cwd=tmp_path)
        assert done.returncode < 4, done.stderr
        assert read(tmp_path / "again").declared["leaf"].version == "1.4.0"
        assert not list((tmp_path / "state").rglob("*.json"))
        with open_rig(load(bench.rig_file), seed=1) as opened:
            assert opened.board.read_file("sluice_drive.py") == FIRMWARE.read_bytes()
