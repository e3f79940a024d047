"""The command and the plugin, end to end on the simulated bench, with every check there is."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.compare.ownership import owners_of
from harness.compare.reference import surroundings
from harness.nouns.results import Measurement
from harness.record import Record, read
from harness.report.plots import BAND
from harness.rigfile import loads
from harness.run.judge_again import judge_again
from harness.store import Store
from tests.bench.conftest import WHOLE_S, environment, rotorgate, stand_alone
from tests.conftest import is_quick

pytestmark = pytest.mark.board

ROOT = Path(__file__).resolve().parents[2]
RIGS = ROOT / "rigs_demo" / "rigs"
UNHEATED = ("--only", "stiffness", "step", "together")
"""Every check but the heating, which takes half of the time (commutation, states and conduct run with them)."""


def numbers(folder: Path) -> dict[str, float]:
    return {name: measured.quantity.value for name, measured in read(folder).measurements.items()}


@pytest.fixture(scope="module")
def slack(request, tmp_path_factory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The qualification of firmware with half the loop gain, where a study found one gauge too coarse.

    The whole of it, but in the quick form without a heating, of which a loop's gain says nothing.
    """
    folder = tmp_path_factory.mktemp("slack")
    entry = {"name": "leaf.commutation.step_spread", "grr": 0.01, "mean": 0.0, "largest": "x", "binding": True}
    with Store.open(folder / "store.sqlite", make=True) as store:
        store.studies.add("gauge", "sluice", True, {"quantities": [entry], "instruments": []})
    words = ("--seed", "5", "--with-fault", "slack-gain", "--json", "--out", "run")
    if is_quick(request.config):
        words += UNHEATED
    return folder, rotorgate("qualify", str(RIGS / "sluice.toml"), *words, cwd=folder)


def test_the_demo_ends_with_a_verdict_a_record_and_a_report(request, tmp_path):
    """The whole of it, but in the quick form what it does without a heating."""
    quick, rig = is_quick(request.config), str(RIGS / "sluice.toml")
    words = ("qualify", rig, "--seed", "1", "--no-store", *UNHEATED) if quick else ("demo",)
    done = rotorgate(*words, "--out", "run", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("sluice (SIMULATED): ")
    record = read(tmp_path / "run")
    assert record.finished
    assert record.simulated is True
    assert record.causes == ()
    judged = {verdict.name for verdict in record.verdicts}
    assert judged == set(record.planned)
    shares = inside(record)
    assert {name.partition(".")[2] for name in shares} == {
        *("commutation.following", "stiffness.open_loop", "stiffness.closed_loop", "step.small", "step.large"),
        *(() if quick else ("thermal.rise",)),
    }
    assert min(shares.values()) > 0.8 and np.mean(list(shares.values())) > 0.9, shares
    planned = json.loads(rotorgate("--json", "plan", rig, *(UNHEATED if quick else ()), cwd=tmp_path).stdout)
    assert tuple(planned["planned"]) == record.planned
    assert "sluice: usually " in done.stderr
    assert "SIMULATED" in (tmp_path / "run" / "report.html").read_text(encoding="utf-8")


def inside(record: Record) -> dict[str, float]:
    """Share of each curve's points that lie in the band of their own series' model, by the curve's name."""
    shares = {}
    for curve in record.curves:
        held = []
        for label, model in curve.models.items():
            x, value, u = np.array(model).T
            points = np.array(curve.series[label])
            off = np.abs(points[:, 1] - np.interp(points[:, 0], x, value))
            held.append(off <= BAND * np.interp(points[:, 0], x, u))
        if held:
            shares[curve.name] = float(np.mean(np.concatenate(held)))
    return shares


def test_the_pictures_of_a_loop_of_half_the_gain_show_it_where_the_verdicts_do(slack):
    shares = inside(read(slack[0] / "run"))
    for motor in ("leaf", "wheel"):
        assert shares[f"{motor}.commutation.following"] > 0.9
        assert shares[f"{motor}.stiffness.open_loop"] > 0.9
        for name in ("stiffness.closed_loop", "step.small", "step.large"):
            assert shares[f"{motor}.{name}"] < 0.7, (motor, name, shares)


def test_a_loop_of_half_the_gain_is_found_named_and_explained_and_nothing_else_is(slack):
    _, done = slack
    assert done.returncode == 1, done.stdout + done.stderr
    found = json.loads(done.stdout)["diagnosis"]
    # Half of 31 is 16 in a firmware of whole numbers.
    assert found["words"].startswith("leaf and wheel: the firmware's loop gain is 0.52 times what the rig file says")
    assert {"closed_loop", "ratio", "natural_frequency"} <= {name.rpartition(".")[2] for name in found["differs"]}
    assert {name.split(".")[1] for name in found["differs"]} == {"stiffness", "step"}


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bits(tmp_path):
    for run in ("one", "two"):
        done = rotorgate(
            "qualify", str(RIGS / "sluice.toml"), "--only", "commutation", "--seed", "5", "--out", run, cwd=tmp_path
        )
        assert done.returncode == 0, done.stdout + done.stderr
    assert numbers(tmp_path / "one") == numbers(tmp_path / "two")
    names = sorted(path.name for path in (tmp_path / "one" / "observations").iterdir())
    assert names
    for name in names:
        first, second = ((tmp_path / run / "observations" / name).read_bytes() for run in ("one", "two"))
        assert first == second, name


@pytest.mark.slow
def test_repeats_of_a_board_of_its_own_are_kept_and_studied(tmp_path):
    words = ("--repeats", "2", "--board", "B1", "--board-seed", "3", "--only", "commutation", "--seed", "5")
    done = rotorgate("qualify", str(RIGS / "sluice.toml"), *words, "--out", "runs/r", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    first, second = (read(tmp_path / "runs" / "r" / number) for number in ("1", "2"))
    assert first.board.unique_id == second.board.unique_id == "53494d5574bb3b8a"
    assert (first.seed, second.seed, first.board_seed) == (5, 6, 3)
    done = rotorgate("study", "capability", "--out", "pages", cwd=tmp_path)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stdout.startswith("lot sluice, rig sluice (SIMULATED): 1 board, 2 runs: too few boards (1 of 10)")
    assert "SIMULATED BENCH" in (tmp_path / "pages" / "certificate-B1.html").read_text(encoding="utf-8")
    done = rotorgate("qualify", str(RIGS / "sluice.toml"), "--board", "B2", "--board-seed", "3", cwd=tmp_path)
    assert done.returncode == 4
    assert "was called B1 in run 1" in done.stderr


@pytest.mark.slow
def test_a_bench_that_stands_alone_gives_the_same_verdicts(tmp_path):
    words = ("--only", "commutation", "--seed", "5")
    done = rotorgate("qualify", str(RIGS / "sluice.toml"), *words, "--out", "within", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    with stand_alone(tmp_path, "sluice", "--seed", "5") as bench:
        done = rotorgate("qualify", str(bench.rig_file), *words, "--out", "alone", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    assert numbers(tmp_path / "within") == numbers(tmp_path / "alone")


@pytest.mark.slow
def test_a_deviation_is_found_named_and_explained(tmp_path):
    done = rotorgate(
        "qualify",
        str(RIGS / "sluice.toml"),
        "--only",
        "commutation",
        "--seed",
        "5",
        "--json",
        "--with-fault",
        "extra-pole-pair",
        "--out",
        "run",
        cwd=tmp_path,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    result = json.loads(done.stdout)
    assert "leaf.commutation.pole_pairs" in result["diagnosis"]["differs"]
    assert "pole pairs" in result["diagnosis"]["words"]
    assert not any(name.startswith("wheel") for name in result["diagnosis"]["differs"])


@pytest.mark.slow
def test_a_battery_rig_says_what_each_missing_instrument_would_add(tmp_path):
    done = rotorgate(
        "qualify", str(RIGS / "handwheel.toml"), "--only", "commutation", "--seed", "5", "--out", "run", cwd=tmp_path
    )
    assert done.returncode == 0, done.stdout + done.stderr
    for words in (
        "a programmable supply would add",
        "a thermometer near the motors would add",
        "not supervised: wheel, leaf: phase current",
    ):
        assert words in done.stdout


@pytest.mark.slow
def test_the_example_of_the_readme_runs_as_it_stands(tmp_path):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    example = re.search(r"<!-- example:.*?-->\n```python\n(.*?)```", text, re.DOTALL)
    assert example is not None
    (tmp_path / "test_gate.py").write_text(example[1], encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "test_gate.py", "--rig", str(RIGS / "sluice.toml"), "--rig-out", "run"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env=environment(tmp_path),
        timeout=WHOLE_S,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 passed" in done.stdout
    assert "(SIMULATED)" in done.stdout
    record = read(tmp_path / "run")
    assert {name.split(".")[1] for name in record.measurements} == {"states", "commutation", "conduct", "stiffness"}


def test_the_log_holds_link_and_instrument_traffic(tmp_path):
    done = rotorgate("--log", "traffic.log", "inspect", str(RIGS / "sluice.toml"), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    log = (tmp_path / "traffic.log").read_text(encoding="utf-8")
    assert "harness.link" in log
    assert "*IDN?" in log
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", log)


def test_a_record_judged_again_says_the_same(slack):
    folder, _ = slack
    record = read(folder / "run")
    outcomes = [verdict.outcome for verdict in record.verdicts if verdict.name == "leaf.commutation.step_spread"]
    assert outcomes[-1] == "undecided", "its gauge is too coarse, the study says"
    again = judge_again(record)
    assert [(verdict.name, verdict.outcome) for verdict in again.verdicts] == [
        (verdict.name, verdict.outcome) for verdict in record.verdicts
    ]
    assert again.diagnosis.words == record.diagnosis.words != ""
    assert {
        result.name: result.quantity.value for result in again.results if isinstance(result, Measurement)
    } == numbers(folder / "run")
    halved = record.rig.text.replace("gain_per_rad = { value = 4.93", "gain_per_rad = { value = 2.465")
    assert not judge_again(record, loads(halved.encode(), "rig.toml")).diagnosis.differs
    # What a run leaves is also enough to compare it by.
    assert set(owners_of(record).instruments) == {"supply", "meter_leaf", "meter_wheel", "thermometer"}
    assert {"", "leaf", "wheel"} == set(surroundings(record).supply_v)
    assert "leaf.stiffness" in surroundings(record).room_c
