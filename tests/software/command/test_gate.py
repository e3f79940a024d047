"""`rotorgate gate` on a bench in memory: every decision with its exit code, files, rows; every mistake in one line."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import shutil
import signal
from pathlib import Path
from xml.etree import ElementTree

import pytest

from harness.base.errors import BenchError, FirmwareFault, UsageError
from harness.bench.stops import StoppedByGuard
from harness.command import main as cli
from harness.gate import load_policy
from harness.release.summary import plain
from harness.store import Store
from tests.software.run.fakes import SLUICE, Bench, FakeChecks, FakeFirmware, FakeRig

STIFF, DELAY = "leaf.stiffness.closed_loop", "wheel.step.delay"
POLICY = """\
schema = 1
name = "releases"
repeats = {repeats}
time_budget_s = 900.0
required = ["stiffness.closed_loop", "step.delay", "commutation.direction"]
[waivers]
by = ["M. Keeper"]
until = 2099-06-30
"""
WAIVER = '[[waiver]]\nquantity = "{}"\nby = "M. Keeper"\nwhy = "by design"\nuntil = 2099-01-01\n'
JITTER = (0.9996, 1.0003, 1.0001, 0.9998, 1.0002, 1.0)


def checks(factor: float = 1.0, **changes: float) -> FakeChecks:
    """Values that scatter a little from run to run."""
    return FakeChecks(changes={STIFF: 2.0 * factor, DELAY: 1e-3 * factor, **changes})


def write_policy(more: str = "", repeats: int = 1, path: str = "policy.toml") -> str:
    Path(path).write_text(POLICY.format(repeats=repeats) + more, encoding="utf-8")
    return path


@pytest.fixture
def say(monkeypatch, tmp_path, capsys):
    """Run `rotorgate ...` on a bench in memory: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str, bench: FakeChecks | None = None, **options: object) -> tuple[int, str, str]:
        fakes = Bench()
        fakes(bench or checks(), **options)  # type: ignore[arg-type]
        code = fakes.main(words)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.fixture(scope="module")
def six(tmp_path_factory):
    """A folder with six runs accepted as a baseline."""
    folder = tmp_path_factory.mktemp("six")
    accept = ("baseline", "accept", "spring", *"123456", "--by", "M. Keeper", "--why", "good")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        bench = Bench()
        for number, factor in enumerate(JITTER):
            bench(checks(factor))
            assert bench.main(["--quiet", "qualify", str(SLUICE), "--seed", "1", "--out", f"runs/{number}"]) == 0
        assert cli.main(list(accept)) == 0
    return folder


@pytest.fixture
def spring(six, say, capsys):
    """Six runs accepted as a baseline, and a policy."""
    shutil.copytree(six, Path(), dirs_exist_ok=True)
    write_policy()
    capsys.readouterr()
    return say


NOT_BACK = f"the firmware from before is not back, `rotorgate qualify {SLUICE} --restore` does it: no board"
GATE = ("gate", str(SLUICE), "--against", "spring", "--policy", "policy.toml", "--seed", "7", "--out", "runs/new")


def decision() -> dict[str, object]:
    found = json.loads(Path("runs/new/decision.json").read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def test_a_release_is_let_through_told_and_kept(spring):
    code, out, err = spring(*GATE)
    assert code == 0, out + err
    lines = out.splitlines()
    assert lines[0] == "sluice (SIMULATED): release: firmware fake 1 against baseline spring, revision 1"
    assert lines[1] == "  all 6 required quantities are as in the baseline, and nothing speaks against it"
    assert "store runs/store.sqlite, decision 1 on runs 7" in lines
    assert "SIMULATED" in err
    assert (decision()["decision"], decision()["exit_code"]) == ("release", 0)
    assert Path("runs/new/summary.md").read_text(encoding="utf-8").startswith("## Release gate: released\n")
    suite = ElementTree.parse("runs/new/junit.xml").getroot().find("testsuite")
    assert suite is not None
    assert suite.get("failures") == "0"
    with Store.open() as store:
        (made,) = store.decisions.all("sluice")
        assert (made.word, made.exit_code, made.runs, made.baseline_id, made.simulated) == ("release", 0, (7,), 1, True)
        assert made.content["policy"] == POLICY.format(repeats=1)
        assert (made.firmware_name, made.firmware_version) == ("fake", "1")


def test_what_differs_is_refused_with_its_reason(spring):
    code, out, _ = spring(*GATE, bench=checks(**{STIFF: 1.0}))
    assert code == 1
    lines = out.splitlines()
    assert lines[0].startswith("sluice (SIMULATED): refuse: ")
    assert lines[1].startswith(f"  {STIFF}: differs: ")
    assert any(line.startswith(f"  {STIFF}: different: ") for line in lines)
    reasons = decision()["reasons"]
    assert isinstance(reasons, list)
    assert reasons[0].startswith(f"{STIFF}: differs: ")


def test_repeats_are_runs_of_their_own_that_share_the_risk(spring):
    write_policy(repeats=2)
    code, out, err = spring(*GATE)
    assert code == 0, out + err
    assert "run 1 of 2, seed 7" in err
    assert "run 2 of 2, seed 8" in err
    for number in (1, 2):
        record = json.loads(Path(f"runs/new/{number}/record.json").read_text(encoding="utf-8"))
        assert record["repeat"] == {"number": number, "of": 2}
    with Store.open() as store:
        assert store.decisions.all()[0].runs == (7, 8)


def test_a_waiver_lets_through_and_stands_in_every_account(spring):
    write_policy(WAIVER.format("leaf.stiffness.open_loop") + WAIVER.format("leaf.thermal.rise"))
    code, out, _ = spring(*GATE, bench=checks(**{"leaf.stiffness.open_loop": 3.0}))
    assert code == 0, out
    assert "waived by M. Keeper (self-declared) until 2099-01-01: leaf.stiffness.open_loop: differs: " in out
    assert "  waiver of leaf.thermal.rise by M. Keeper: nothing to waive" in out
    assert "### Waived (who waived is self-declared)" in Path("runs/new/summary.md").read_text(encoding="utf-8")
    assert "waived by M. Keeper (self-declared)" in Path("runs/new/junit.xml").read_text(encoding="utf-8")
    with Store.open() as store:
        waivers = store.decisions.all()[0].content["waivers"]
    assert [(waiver["quantity"], waiver["used"], waiver["by_is"]) for waiver in waivers] == [
        ("leaf.stiffness.open_loop", True, "self-declared"), ("leaf.thermal.rise", False, "self-declared"),
    ]  # fmt: skip


def test_a_stop_that_the_board_provoked_refuses_whoever_waives(spring):
    write_policy(WAIVER.format("leaf.step.delay"))
    bench = checks()
    bench.raises["leaf.step"] = StoppedByGuard("speed", 0, 900, 1000, 100)
    code, out, _ = spring(*GATE, bench=bench)
    assert code == 1
    assert "  leaf.step.limits: nonconforming: " in out


def test_a_bench_that_fails_is_undecided_and_keeps_what_was_measured(spring):
    bench = checks()
    bench.raises["leaf.step"] = BenchError("the link is lost")
    code, out, _ = spring(*GATE, bench=bench)
    assert code == 3
    assert out.splitlines()[0].startswith("sluice (SIMULATED): undecided: ")
    assert "the bench could not be operated: stopped: the link is lost" in out
    assert decision()["decision"] == "undecided"
    assert "<error " in Path("runs/new/junit.xml").read_text(encoding="utf-8")
    with Store.open() as store:
        assert store.decisions.all()[0].exit_code == 3
        assert not store.run(7).finished


def test_firmware_that_cannot_be_used_is_refused(spring):
    code, out, _ = spring(*GATE, opening=FirmwareFault("firmware fake: cannot be imported: SyntaxError"))
    assert code == 1
    assert "  firmware fake: cannot be imported: SyntaxError" in out
    with Store.open() as store:
        assert (store.decisions.all()[0].word, store.decisions.all()[0].runs) == ("refuse", ())


def test_json_is_one_object_and_nothing_else(spring):
    code, out, err = spring("--json", *GATE)
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert (found["decision"], found["exit_code"], found["files"]["decision"]) == (
        "release",
        0,
        "runs/new/decision.json",
    )


def test_a_store_that_cannot_take_the_decision_changes_nothing_of_it(spring, monkeypatch):
    from harness.base.errors import StoreUnavailable
    from harness.store.decisions import Decisions

    def full(*_: object, **__: object) -> None:
        raise StoreUnavailable("runs/store.sqlite: the disk is full; nothing that was kept is lost")

    monkeypatch.setattr(Decisions, "add", full)
    code, out, _ = spring(*GATE)
    assert code == 0
    assert (
        "not in the store: runs/store.sqlite: the disk is full; nothing that was kept is lost; decision.json stands"
        in out
    )
    assert decision()["decision"] == "release"


def replaced(words: tuple[str, ...], option: str, value: str) -> list[str]:
    at = words.index(option)
    return [*words[: at + 1], value, *words[at + 2 :]]


@pytest.mark.parametrize(
    ("option", "value", "message"),
    [
        ("--policy", "absent.toml", "absent.toml: no such policy file"),
        ("--policy", "wrong.toml", "wrong.toml: required[0]: no such quantity; did you mean stiffness.closed_loop?"),
        (
            "--policy",
            "never.toml",
            "never.toml: required: step.decay was never measured in baseline spring, revision 1",
        ),
        ("--against", "sprung", "runs/store.sqlite: no baseline sprung; did you mean spring?"),
        ("--against", "a/b", "baseline 'a/b': expected a name"),
        ("--out", "runs/0", "runs/0: holds a record already; choose another folder with --out"),
        ("--out", "a" * 300, "cannot be looked for: File name too long"),
        ("--out", "runs/mine", "runs/mine/summary.md: is there already; choose another folder with --out"),
        ("--out", "runs/old", "runs/old: holds a decision already; choose another folder with --out"),
    ],
)
def test_wrong_use_is_one_line_before_anything_moves(spring, option, value, message):
    write_policy(path="wrong.toml")
    Path("wrong.toml").write_text(Path("wrong.toml").read_text().replace("closed_loop", "closed_lop"))
    write_policy(path="never.toml")
    Path("never.toml").write_text(Path("never.toml").read_text().replace("step.delay", "step.decay"))
    Path("runs/mine").mkdir()
    Path("runs/mine/summary.md").write_text("what I know of weirs")
    Path("runs/old").mkdir()
    Path("runs/old/decision.json").write_text("{}")
    rig = FakeRig()
    code, out, err = spring(*replaced(GATE, option, value), rig=rig)
    assert (code, out) == (4, "")
    assert message in err
    assert all(line.startswith("rotorgate: ") for line in err.splitlines())
    assert rig.events == []
    with Store.open() as store:
        assert store.decisions.all() == []


def test_no_store_no_baseline(say):
    write_policy()
    code, _, err = say(*GATE)
    assert (code, err) == (
        4,
        "rotorgate: runs/store.sqlite: no store here yet; `rotorgate qualify` and `rotorgate keep` make it\n",
    )


def test_a_retired_baseline_decides_nothing(spring):
    assert spring("baseline", "retire", "spring", "--by", "M. Keeper", "--why", "moved")[0] == 0
    rig = FakeRig()
    code, _, err = spring(*GATE, rig=rig)
    assert code == 4
    assert "nothing is compared with it; accept a new revision" in err
    assert rig.events == [], "it is said before anything is measured"


def test_another_rig_type_is_refused(spring):
    Path("other.toml").write_text(SLUICE.read_text(encoding="utf-8").replace('name = "sluice"', 'name = "weir"', 1))
    code, _, err = spring(*("other.toml" if word == str(SLUICE) else word for word in GATE))
    assert code == 4
    assert "baseline spring, revision 1 is of rig sluice, other.toml is weir: expected a baseline of this rig" in err


def test_real_and_simulated_never_mix(spring):
    code, _, err = spring(*GATE, rig=FakeRig(simulated=False))
    assert code == 4
    assert "is of a simulated bench, this one is real: they are never compared; nothing was energised" in err
    assert not Path("runs/new/decision.json").exists()


@pytest.mark.parametrize(("factor", "released"), [(1.0, True), (0.5, False)])
def test_the_firmware_stays_where_it_is_released_and_only_there(spring, factor, released):
    fake = FakeFirmware(Path("backup"))
    options = {"bench": checks(**{STIFF: 2.0 * factor}), "firmware": fake.means()}
    code, out, _ = spring(*GATE, "--firmware", "build", **options)
    assert code == (0 if released else 1)
    assert fake.done == ["put on, the one from before held", *([] if released else ["put back"])]
    assert fake.held.exists() is not released
    stays = "the firmware that was released stays on the board"
    assert (stays if released else "the firmware from before is back on the board") in out.splitlines()


@pytest.mark.parametrize("factor", [1.0, 0.5])
def test_a_board_that_keeps_what_was_refused_is_the_bench_s_trouble_and_told_everywhere(spring, factor):
    fake = FakeFirmware(Path("backup"), putting_back=BenchError("no board"))
    words = NOT_BACK if factor < 1.0 else "backup: cannot be removed"
    firmware = fake.means(forget=lambda _: words)
    code, out, _ = spring(*GATE, "--firmware", "build", bench=checks(**{STIFF: 2.0 * factor}), firmware=firmware)
    assert code == 3
    assert out.splitlines().count(words) == 1
    assert (decision()["exit_code"], decision()["trouble"]) == (3, words)
    assert f"- {plain(words)}" in Path("runs/new/summary.md").read_text(encoding="utf-8")


def test_what_the_policy_asks_less_of_than_the_rig_file_is_told(spring):
    write_policy(
        '[margins]\n"stiffness.closed_loop" = { percent = 90 }\n[risks]\ndifference = 0.001\nequivalence = 0.4\n'
    )
    code, out, _ = spring("--quiet", *GATE)
    assert code == 0, out
    assert f"{STIFF}: the policy's margin of 1.8 is wider than the " in out
    assert "risks.difference of 0.001 is less than 0.01: a difference must be larger to be seen" in out
    assert "risks.equivalence of 0.4 is more than 0.05: what is off by its margin passes more often" in out
    remarks = decision()["remarks"]
    assert isinstance(remarks, list)
    assert len(remarks) == 4, "the margin is of both motors"
    summary = Path("runs/new/summary.md").read_text(encoding="utf-8")
    assert summary.index("### To know") < summary.index("wider than the")


def test_a_rig_file_that_judges_otherwise_than_for_the_baseline_is_told(spring):
    text = SLUICE.read_text(encoding="utf-8")
    wider = text.replace(
        '"commutation.pole_pairs" = { absolute = 0.7 }', '"commutation.pole_pairs" = { absolute = 0.9 }', 1
    )
    assert wider != text
    Path("mine.toml").write_text(wider, encoding="utf-8")
    code, out, _ = spring(*("mine.toml" if word == str(SLUICE) else word for word in GATE))
    assert code == 0, out
    assert "the rig file judges otherwise than for the baseline's last record: [detect]" in out.splitlines()
    assert "judges otherwise" not in spring(*replaced(GATE, "--out", "runs/newer"))[1]


def test_an_older_revision_is_told(spring):
    again = ("baseline", "accept", "spring", *"123456", "--by", "M. Keeper", "--why", "again")
    assert spring(*again)[0] == 0
    code, out, _ = spring(*GATE, "--revision", "1")
    assert code == 0
    assert "baseline spring, revision 1 is not the newest of its name" in out
    assert "newest of its name" not in spring(*replaced(GATE, "--out", "runs/newer"))[1]


def test_firmware_that_changes_between_two_runs_decides_nothing(spring):
    write_policy(repeats=2)
    folder = Path("build")
    folder.mkdir()
    (folder / "firmware.py").write_text("first")
    put = []

    def put_on(rig: object, path: Path | None, **_: object) -> None:
        if path is not None:
            put.append((path / "firmware.py").read_text())
            (path / "firmware.py").write_text("second")

    firmware = FakeFirmware(Path("backup")).means(
        files=lambda path, _spec: {"a.py": (path / "firmware.py").read_bytes()}, put=put_on
    )
    code, out, _ = spring(*GATE, "--firmware", "build", firmware=firmware)
    assert (code, put) == (4, ["first"])
    assert "--firmware build: its files changed while the gate was running" in out
    assert decision()["decision"] == "undecided"
    assert decision()["firmware_files"] == {"a.py": hashlib.sha256(b"first").hexdigest()}


def test_a_firmware_that_is_not_there(spring):
    code, _, err = spring(*GATE, "--firmware", "absent")
    assert (code, err) == (4, "rotorgate: --firmware absent: no such file or folder\n")


def test_the_job_in_the_readme_calls_the_command_as_it_is():
    readme = (Path(__file__).resolve().parents[3] / "README.md").read_text(encoding="utf-8")
    job = readme.partition("a test of the project reads exactly this -->\n```yaml\n")[2].partition("```")[0]
    (line,) = [line for line in job.splitlines() if "rotorgate --quiet gate" in line]
    words = shlex.split(line.partition("run: rotorgate ")[2])
    found = cli.parse(words)
    assert (found.command, found.against, found.policy, found.out) == ("gate", "spring", "bench/release.toml", "gate")
    assert f"cat {found.out}/summary.md" in job
    assert f"path: {found.out} " in job
    gate = job.partition("  gate:\n")[2]
    assert line in gate
    assert "environment: bench" in gate, "whoever may start it moves motors"
    assert "self-hosted" not in job.partition("  gate:\n")[0], "nobody has approved what is built"
    minutes = float(gate.partition("timeout-minutes: ")[2].split()[0])
    shipped = load_policy(Path(__file__).resolve().parents[3] / "rigs_demo" / "policies" / "release.toml")
    assert 60.0 * minutes > 1.1 * shipped.time_budget_s, "the firmware from before must come back"
    (plan,) = [line for line in job.splitlines() if "rotorgate --quiet plan" in line]
    assert cli.parse(shlex.split(plan.partition("rotorgate ")[2].partition("&& rotorgate ")[2])).command == "plan"


def test_the_policy_that_is_shipped_fits_the_rig_that_is_shipped():
    from harness.rigfile import load as load_rig

    demo = Path(__file__).resolve().parents[3] / "rigs_demo"
    policy = load_policy(demo / "policies" / "release.toml")
    policy.check_names(load_rig(demo / "rigs" / "sluice.toml").motors)
    assert policy.repeats == 2


def test_firmware_that_cannot_be_put_back_is_told_whatever_ended_the_gate(spring):
    class Gone(FakeChecks):
        """Checks of a rig whose run ends while it begins, after its firmware was exchanged."""

        def check_named(self, name: str):
            if fake.done:
                raise UsageError("no such check")
            return super().check_named(name)

    fake = FakeFirmware(Path("backup"), putting_back=BenchError("no board"))
    code, _, err = spring("--quiet", *GATE, "--firmware", "build", bench=Gone(), firmware=fake.means())
    assert code == 3
    assert err.startswith(f"rotorgate: {NOT_BACK}; before that: no such check")


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize(("repeats", "at"), [(1, 1), (2, 2), (2, 1)])
def test_a_run_that_is_whole_counts_whoever_asks_to_stop_while_it_is_closed(spring, repeats, at):
    class Interrupted(FakeRig):
        closed = 0

        def switched_off(self) -> str:
            self.closed += 1
            if self.closed == at:
                signal.raise_signal(signal.SIGINT)
            return super().switched_off()

    write_policy(repeats=repeats)
    code, out, _ = spring(*GATE, rig=Interrupted())
    whole = at == repeats
    assert (code, decision()["decision"]) == ((0, "release") if whole else (3, "undecided")), out
    assert ("stopped by Ctrl-C" in out) is not whole
    kept = "runs 7, 8" if at > 1 else "runs 7"
    assert f"store runs/store.sqlite, decision 1 on {kept}" in out.splitlines()


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_signal_after_the_decision_loses_none_of_it(spring):
    def forget(_: object) -> str:
        os.kill(os.getpid(), signal.SIGTERM)
        return ""

    firmware = FakeFirmware(Path("backup")).means(forget=forget)
    code, out, err = spring(*GATE, "--firmware", "build", firmware=firmware)
    assert code == 0, out + err
    assert decision()["decision"] == "release"
    assert "store runs/store.sqlite, decision 1 on runs 7" in out


@pytest.mark.parametrize(
    "words", [GATE, ("qualify", str(SLUICE), "--out", "q", "--seed", "1")], ids=["gate", "qualify"]
)
def test_a_board_that_a_killed_run_left_with_its_firmware_is_told_of(spring, words):
    firmware = FakeFirmware(Path("backup")).means(left_behind=lambda _identity, _spec: "this board holds firmware")
    assert "this board holds firmware" in spring(*words, firmware=firmware)[2].splitlines()


def test_the_cause_that_the_verdicts_point_to_is_told_with_the_decision(spring):
    _, out, _ = spring(*GATE, bench=checks(**{STIFF: 1.0, "leaf.stiffness.open_loop": 0.5}))
    found = json.loads(Path("runs/new/record.json").read_text(encoding="utf-8"))["diagnosis"]
    words = found["words"]
    assert words
    assert (f"cause: {words}" if found["known"] else words) in out.splitlines()
    assert decision()["causes"] == [words]
    summary = Path("runs/new/summary.md").read_text(encoding="utf-8")
    assert f"### What the pattern points to\n\n- {plain(words)}" in summary


def test_what_would_settle_a_cause_stands_after_it(spring):
    _, out, _ = spring(*GATE, bench=checks(**{STIFF: 1.0}))
    (cause,) = json.loads(Path("runs/new/record.json").read_text(encoding="utf-8"))["causes"]
    lines = out.splitlines()
    assert lines[lines.index(f"cause: {cause['words']}") + 1] == f"what would confirm it: {cause['confirmed_by']}"
