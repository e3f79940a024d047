"""`rotorgate plan`: opens nothing, says what a run says, every mistake in one line; what qualify and gate say first."""

from __future__ import annotations

import json
import re
import shutil
from io import StringIO
from pathlib import Path

import pytest

from harness.base.errors import BenchError
from harness.checks.registry import check_named
from harness.command import main as cli
from harness.plan.plan import plan_of
from harness.plan.rows import CHECKS, check_row, quantities_layout, quantity_rows, reason_of
from harness.record import read
from harness.show.columns import write_rows
from tests.software.plan.rigs import ALONE, HANDWHEEL, ROOT, demo, of_steel
from tests.software.plan.rigs import SLUICE as DEMO
from tests.software.run.fakes import SLUICE, Bench, FakeChecks, FakeRig

SHIPPED = ROOT / "rigs_demo" / "policies" / "release.toml"
POLICY = """\
schema = 1
name = "releases"
repeats = 2
time_budget_s = {budget_s}
required = [{required}]
"""
JITTER = (0.9996, 1.0003, 1.0001, 0.9998, 1.0002, 1.0)


@pytest.fixture
def say(monkeypatch, tmp_path, capsys):
    """Run `rotorgate ...` on a bench in memory: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str, **options: object) -> tuple[int, str, str]:
        fakes = Bench()
        fakes(**options)  # type: ignore[arg-type]
        code = fakes.main(words)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.fixture(scope="module")
def accepted(tmp_path_factory):
    """A folder with six runs accepted as a baseline."""
    folder = tmp_path_factory.mktemp("six")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        bench = Bench()
        for number, factor in enumerate(JITTER):
            bench(FakeChecks(changes={"leaf.stiffness.closed_loop": 2.0 * factor, "leaf.thermal.rise": 40.0 * factor}))
            assert bench.main(["--quiet", "qualify", str(SLUICE), "--seed", "1", "--out", f"runs/{number}"]) == 0
        words = ["baseline", "accept", "spring", *"123456", "--by", "M. Keeper", "--why", "good"]
        assert cli.main(words) == 0
    return folder


@pytest.fixture
def spring(accepted, say, capsys):
    """Six runs accepted as a baseline."""
    shutil.copytree(accepted, Path(), dirs_exist_ok=True)
    capsys.readouterr()
    return say


def steel() -> str:
    """The tests' rig file with real addresses."""
    text = of_steel(SLUICE).text
    Path("steel.toml").write_text(text, encoding="utf-8")
    return "steel.toml"


def policy(budget_s: float = 900.0, required: str = '"stiffness.closed_loop"') -> str:
    Path("policy.toml").write_text(POLICY.format(budget_s=budget_s, required=required), encoding="utf-8")
    return "policy.toml"


@pytest.mark.parametrize("only", [(), ("--only", "step"), ("--only", "thermal", "together")])
def test_a_plan_has_the_quantities_and_the_reasons_of_a_run(say, only):
    fakes = {"checks": FakeChecks(), "rig": FakeRig(has=("supply", "thermometer"))}
    text = SLUICE.read_text(encoding="utf-8")
    Path("rig.toml").write_text(re.sub(r"(?ms)^\[instrument\.meter_.*?(?=^\[)", "", text), encoding="utf-8")
    code, out, _ = say("--json", "plan", "rig.toml", *only)
    assert code == 0
    planned = json.loads(out)
    say("--quiet", "qualify", str(SLUICE), *only, "--out", "run", **fakes)
    record = read(Path("run"))
    assert tuple(planned["planned"]) == record.planned
    not_run = {each["name"]: each["reason"] for each in planned["quantities"] if each["word"] == "not run"}
    assert not_run == {entry.name: entry.reason for entry in record.unmeasured if entry.outcome.value == "not run"}
    assert ("leaf.thermal.rise" in not_run) is (not only or "thermal" in only)


def test_nothing_is_opened_and_nothing_written(say):
    checks, rig = FakeChecks(), FakeRig()
    code, out, err = say("plan", str(SLUICE), checks=checks, rig=rig, opening=BenchError("opened"))
    assert (code, err) == (0, "")
    assert (checks.ran, rig.events, list(Path().iterdir())) == ([], [], [])
    assert out.splitlines()[0].startswith("sluice: 13 checks, ")


def test_the_demo_is_told_check_by_check_and_quantity_by_quantity(capsys):
    assert cli.main(["plan", str(DEMO), "--within", "10m", "--policy", str(SHIPPED)]) == 0
    lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    assert re.fullmatch(r"sluice: 13 checks, \d+ decisions within reach; usually \d+ min on steel .*", lines[0])
    assert any(re.match(r"ok  leaf\.thermal +\d+ min +\d+ min +0\.83 ", line) for line in lines)
    assert any(
        re.match(r"ok  closed_loop +0\.6029 +0\.0\d+ +0\.12  N m/rad  motor\.leaf\.flux_link", line) for line in lines
    )
    assert any(re.match(r"--  pole_pairs +10 +\? +0\.7$", line) for line in lines)
    assert any(re.match(r"ok  direction +any$", line) for line in lines)
    assert "sees from: the smallest deviation that is seen 95 times in 100" in lines
    assert any(line.startswith("assumed of the board: max_static_duty: ") for line in lines)
    (within,) = [line for line in lines if line.startswith("within 10 min: --only ")]
    assert "thermal" not in within
    assert lines[-1] == "a decision is within reach"


def test_the_readme_shows_what_is_said(capsys):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = (
        readme.partition("### Before you start\n")[2]
        .partition("\nFor each check:")[0]
        .partition("(lines left out):")[2]
    )
    assert cli.main(["plan", str(DEMO), "--within", "10m"]) == 0
    said = {line.strip() for line in capsys.readouterr().out.splitlines()}
    lines = [line.strip() for line in shown.splitlines() if line.strip()]
    assert len(lines) > 8
    assert [line for line in lines if " ".join(line.split()) not in {" ".join(each.split()) for each in said}] == []


def test_json_is_one_object_with_seconds(capsys):
    assert cli.main(["--json", "plan", str(DEMO), "--only", "step", "--repeats", "3", "--within", "1h"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["repeats"] == 3
    assert found["whole_s"] == pytest.approx(3.0 * found["run_s"])
    assert found["run_s"] == pytest.approx(sum(check["usual_s"] for check in found["checks"]))
    assert found["least_s"] <= found["whole_s"] <= found["most_s"]
    best = found["within"]["best"]
    assert best["seconds"] == pytest.approx(found["whole_s"])
    assert found["within"]["more"] == []
    assert found["no_decision"] == []


def test_a_rig_with_one_motor_and_no_instrument_is_told_what_it_lacks(tmp_path, capsys):
    file = tmp_path / "alone.toml"
    file.write_text(ALONE, encoding="utf-8")
    assert cli.main(["plan", str(file), "--within", "1s"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("alone: 4 checks, 3 not run, ")
    assert "--  together: not run: needs two motors: add a second [motor.NAME]" in out
    assert "its winding's temperature needs motor.spin.thermal.winding_capacity_j_k" in out
    assert "\nwithin 1 s: nothing fits\n  more time: --only states commutation conduct: " in out


@pytest.mark.parametrize("width", [24, 60, 90, 110, 140])
def test_every_window_shows_every_check_and_quantity(width, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(width))
    plan = plan_of(demo(HANDWHEEL), check_named, only=["stiffness"])
    out = StringIO()
    write_rows(out, CHECKS, [check_row(each, plan) for each in plan.checks], known_width=True, words=reason_of)
    rows = quantity_rows(plan, against=False)
    write_rows(out, quantities_layout(against=False), rows, known_width=True, words=reason_of)
    lines = out.getvalue().splitlines()
    assert max(map(len, lines)) <= width
    folded = "".join(line.strip() for line in lines)
    for each in plan.quantities:
        assert each.name.rpartition(".")[2][:12] in folded


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("absent.toml",), "absent.toml: no such rig file"),
        (("wrong.toml",), "wrong.toml: motor.spin.pole_pairs: expected an integer from 1, found 0"),
        ((), "the following arguments are required: RIG (see rotorgate plan --help)"),
        (("--only", "step", str(DEMO)), "put RIG before --only"),
        ((str(DEMO), "--within", "10"), "argument --within: expected a time such as 90s, 10m or 1h"),
        ((str(DEMO), "--within", "0s"), "argument --within: expected a time such as 90s, 10m or 1h"),
        ((str(DEMO), "--only", "stepp"), "--only stepp: no such check; did you mean step?"),
        ((str(DEMO), "--repeats", "0"), "argument --repeats: expected a whole number from 1"),
        ((str(DEMO), "--policy", "absent.toml"), "absent.toml: no such policy file"),
        (
            (str(DEMO), "--policy", str(SHIPPED), "--only", "step"),
            "--only and --policy: a release gate runs ",
        ),
        ((str(DEMO), "--against", "spring"), "runs/store.sqlite: no store here yet"),
        ((str(DEMO), "--store", "x.sqlite"), "--revision and --store are of a baseline: name it with --against"),
    ],
)
def test_wrong_use_is_one_line(words, message, monkeypatch, tmp_path, capsys):
    monkeypatch.chdir(tmp_path)
    Path("wrong.toml").write_text(ALONE.replace("pole_pairs = 7", "pole_pairs = 0"), encoding="utf-8")
    assert cli.main(["plan", *words]) == 4
    said = capsys.readouterr()
    assert said.out == ""
    (line,) = said.err.splitlines()
    assert line.startswith("rotorgate: ")
    assert message in line


# --- with a baseline ------------------------------------------------------------------------------------


def test_a_baseline_says_what_is_seen_from_it_and_what_measuring_leaves_open(spring):
    before = sorted(Path().rglob("*"))
    code, out, err = spring("plan", str(SLUICE), "--against", "spring")
    assert (code, err) == (0, "")
    assert sorted(Path().rglob("*")) == before
    assert "baseline" in out
    assert "what measuring leaves open is taken as in the newest run of baseline spring, revision 1" in out
    assert "a decision is within reach" not in out, "without a policy nobody decides"
    code, out, _ = spring("--json", "plan", str(SLUICE), "--against", "spring")
    found = {each["name"]: each for each in json.loads(out)["quantities"]}
    closed = found["leaf.stiffness.closed_loop"]
    assert closed["as_measured_before"]
    assert closed["baseline"]["seen_from"] > closed["baseline"]["open"] > 0.0
    assert closed["baseline"]["limited_by"] != ""
    assert found["leaf.commutation.direction"]["baseline"]["seen_from"] == 0.0


def test_a_baseline_of_another_rig_is_refused(spring):
    text = SLUICE.read_text(encoding="utf-8").replace('name = "sluice"', 'name = "weir"', 1)
    Path("weir.toml").write_text(text, encoding="utf-8")
    code, _, err = spring("plan", "weir.toml", "--against", "spring")
    assert code == 4
    assert "baseline spring, revision 1 is of rig sluice, weir.toml is weir" in err


def gate(say, rig_file: str, policy_file: str, **options: object) -> tuple[int, str, str]:
    return say("gate", rig_file, "--against", "spring", "--policy", policy_file, "--out", "runs/new", **options)


def test_a_gate_whose_runs_no_time_holds_is_refused_at_once(spring):
    rig = FakeRig()
    code, out, err = gate(spring, steel(), policy(budget_s=20.0), rig=rig)
    assert (code, out, rig.events) == (4, "", [])
    assert err == (
        "rotorgate: policy.toml: time_budget_s: 2 runs take at least 26 s on this rig, found 20 s: allow 60 s or more "
        "(they usually take 26 s), or ask for fewer repeats\n"
    )
    assert not Path("runs/new").exists()


def test_a_gate_that_requires_what_the_rig_cannot_measure_is_refused_at_once(spring):
    text = re.sub(r"(?ms)^\[instrument\.meter_.*?(?=^\[)", "", SLUICE.read_text(encoding="utf-8"))
    text = re.sub(r"(?m)^required = \[.*?\]", 'required = ["step"]', text)
    Path("rig.toml").write_text(text, encoding="utf-8")
    rig = FakeRig()
    code, out, err = gate(spring, "rig.toml", policy(required='"thermal.rise"'), rig=rig)
    assert (code, out, rig.events) == (4, "", [])
    assert [line.partition(": needs a multimeter: add ")[0] for line in err.splitlines()] == [
        f"rotorgate: policy.toml: required: thermal.rise: {motor}.thermal.rise cannot be measured on this rig"
        for motor in ("leaf", "wheel")
    ]
    assert gate(spring, "rig.toml", policy())[0] == 0


def test_a_gate_says_its_length_before_it_starts(spring):
    code, _, err = gate(spring, str(SLUICE), policy())
    assert code == 0
    assert err.splitlines()[0] == (
        "sluice: usually 26 s on steel, 2 runs of 13 s; the simulated bench computes its time"
    )


@pytest.mark.parametrize("count", [1, 3])
def test_qualify_says_its_length_before_it_starts(say, count):
    words = () if count == 1 else ("--repeats", "3")
    _, _, err = say("qualify", str(SLUICE), "--seed", "1", "--no-store", "--out", "run", *words)
    told = [line for line in err.splitlines() if "on steel" in line]
    runs = "" if count == 1 else ", 3 runs of 13 s"
    assert told == [f"sluice: usually {13 * count} s on steel{runs}; the simulated bench computes its time"]
    assert err.splitlines().index(told[0]) == 0
