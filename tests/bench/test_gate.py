"""The release gate on the simulated bench: one release that only tidies, and four with a slip in them.

What a release is expected to be refused for follows from what was changed in it, by the drive contract's own words.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.store import Store
from tests.bench.conftest import rotorgate, start
from tests.one_motor import rig_of_one
from tests.patience import PATIENCE_S, until

pytestmark = [pytest.mark.board, pytest.mark.slow]

ROOT = Path(__file__).resolve().parents[2]
POLICY = ROOT / "rigs_demo" / "policies" / "release.toml"
BASELINE_SEEDS = range(1, 6)
BASELINE_CHECKS = ("commutation", "stiffness", "step")
"""What the policy requires here: what the slips show in. The gate itself runs every check."""
THERMAL = '"step.loop_period", "thermal.driver_rise",'


@pytest.fixture(scope="module")
def lab(tmp_path_factory) -> Path:
    """A folder with a baseline of five runs of the demo's firmware, a policy of one run, and the releases to try."""
    folder = tmp_path_factory.mktemp("lab")
    (folder / "rig.toml").write_text(rig_of_one(), encoding="utf-8")
    for seed in BASELINE_SEEDS:
        words = ("rig.toml", "--quiet", "--seed", str(seed), "--out", f"runs/{seed}", "--only", *BASELINE_CHECKS)
        done = rotorgate("qualify", *words, cwd=folder)
        assert done.returncode == 0, done.stdout + done.stderr
    numbers = [str(number) for number in range(1, len(BASELINE_SEEDS) + 1)]
    words = ("accept", "spring", *numbers, "--by", "M. Keeper", "--why", "firmware 1.4.0 on the first board")
    done = rotorgate("baseline", *words, cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    text = POLICY.read_text(encoding="utf-8")
    assert (text.count("repeats = 2 "), text.count(THERMAL)) == (1, 1)
    text = text.replace("repeats = 2 ", "repeats = 1 ").replace(THERMAL, '"step.loop_period"')
    (folder / "policy.toml").write_text(text, encoding="utf-8")
    for name in ("tidied", "half-gain", "two-late", "other-path", "short-table"):
        command = [sys.executable, "-m", "rigs_demo", "release", name, str(folder / name)]
        subprocess.run(command, check=True, capture_output=True, cwd=ROOT)
    return folder


def words_for(name: str, seed: int) -> tuple[str, ...]:
    options = ("--firmware", name, "--seed", str(seed), "--out", f"runs/{name}")
    return ("gate", "rig.toml", "--against", "spring", "--policy", "policy.toml", *options)


def backups(folder: Path) -> list[Path]:
    return list((folder / "state").rglob("index.json"))


def test_a_release_that_only_tidies_is_let_through(lab):
    done = rotorgate(*words_for("tidied", 21), cwd=lab)
    assert done.returncode == 0, done.stdout + done.stderr
    decision = json.loads((lab / "runs/tidied/decision.json").read_text(encoding="utf-8"))
    assert (decision["decision"], decision["simulated"]) == ("release", True)
    assert (decision["firmware_name"], decision["firmware_version"]) == ("sluice_drive", "1.5.0")
    source = (lab / "tidied/sluice_drive.py").read_bytes()
    assert decision["firmware_sha256"] == hashlib.sha256(source).hexdigest()
    assert len(decision["shown"]) == 11
    assert "the firmware that was released stays on the board" in done.stdout
    assert backups(lab) == [], "a release keeps its place: nothing is left to put back"


@pytest.mark.parametrize(
    ("name", "seed", "reason", "cause"),
    [
        ("half-gain", 22, "leaf.stiffness.closed_loop: differs: ", "the firmware's loop gain is 0.51 times"),
        ("two-late", 23, "leaf.step.delay: differs: ", "ms later than the rig file says"),
        (
            "other-path",
            24,
            "leaf.commutation.sensor_age: differs: ",
            "the angle is read by a noisier path than stated",
        ),
        (
            "short-table",
            25,
            "leaf.conduct.exception: nonconforming: in commutation: the firmware raised IndexError",
            "",
        ),
    ],
)
def test_a_release_with_a_slip_in_it_is_refused_by_name_and_taken_off(lab, name, seed, reason, cause):
    done = rotorgate(*words_for(name, seed), cwd=lab)
    assert done.returncode == 1, done.stdout + done.stderr
    folder = lab / "runs" / name
    decision = json.loads((folder / "decision.json").read_text(encoding="utf-8"))
    assert decision["decision"] == "refuse"
    assert any(line.startswith(reason) for line in decision["reasons"]), decision["reasons"]
    assert cause in " ".join(decision["causes"])
    assert "## Release gate: refused" in (folder / "summary.md").read_text(encoding="utf-8")
    assert 'type="refuse"' in (folder / "junit.xml").read_text(encoding="utf-8")
    assert decision["trouble"] == ""
    assert "the firmware from before is back on the board" in decision["remarks"]
    assert backups(lab) == [], "the firmware from before is back"
    with Store.open(str(lab / "runs/store.sqlite")) as store:
        kept = store.decisions.all("sluice")[-1]
        assert (kept.word, kept.firmware_sha256) == ("refuse", decision["firmware_sha256"])


@pytest.mark.usefixtures("terminal_signals")
def test_a_gate_that_is_interrupted_is_undecided_and_puts_the_firmware_back(lab):
    process = start(*words_for("tidied", 26)[:-1], "runs/interrupted", cwd=lab)
    until((lab / "runs/interrupted/record.json").exists, "a record")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 3, out + err
    assert "undecided" in out
    assert "stopped by Ctrl-C" in out
    assert backups(lab) == []


def test_a_gate_that_is_killed_keeps_its_backup_and_haunts_no_later_run(lab):
    """The simulated board has ended with its bench; one that outlives its host gets it back in test_firmware.py."""
    process = start(*words_for("tidied", 27)[:-1], "runs/killed", cwd=lab)
    until((lab / "runs/killed/record.json").exists, "a record")
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=PATIENCE_S)
    (kept,) = backups(lab)
    assert "simulated board 53494d55" in rotorgate("inspect", cwd=lab).stdout
    done = rotorgate("qualify", "rig.toml", "--only", "commutation", "--seed", "28", "--out", "runs/again", cwd=lab)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "a killed run" not in done.stdout + done.stderr
    done = rotorgate("qualify", "rig.toml", "--restore", "--only", "commutation", "--out", "runs/back", cwd=lab)
    assert (done.returncode, backups(lab)) == (4, [kept])
    assert "--restore: no backup of an earlier firmware of this board; nothing was changed" in done.stderr
