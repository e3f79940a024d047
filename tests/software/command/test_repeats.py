"""Repeats in one command: each a run of its own, one risk for all, and what was measured is never lost."""

from __future__ import annotations

import json
import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from harness.base.errors import ExitCode, FirmwareFault, InstrumentError, UsageError
from harness.bench.safe import StopSignal
from harness.command import main as cli
from harness.nouns.coverage import shared_risk
from harness.record import read
from harness.run.judge_again import rule_of
from harness.run.repeats import repeat, settings_of
from harness.run.session import Settings
from harness.show.terminal import Terminal
from harness.store import Store
from tests.software.record.contents import content_of, edited
from tests.software.run.fakes import IDENTITY, SLUICE, FakeChecks, FakeRig


def test_each_repeat_is_a_whole_run_of_its_own_in_one_store(bench, capsys):
    _, rig = bench()
    words = ["--out", "runs/r", "--repeats", "3", "--seed", "7", "--board", "B1"]
    assert bench.main(["qualify", str(SLUICE), *words]) == 0
    captured = capsys.readouterr()
    assert [event for event in rig.events if event.startswith("open")] == ["open 7", "open 8", "open 9"]
    for number in (1, 2, 3):
        record = read(Path(f"runs/r/{number}"))
        assert record.finished
        assert (record.repeat.number, record.repeat.of) == (number, 3)
        assert record.board.name == "B1"
        assert record.lot == "sluice"
        assert Path(f"runs/r/{number}/report.html").exists()
        assert f"repeat {number} of 3, seed {6 + number}\n" in captured.err
    assert "board B1 of lot sluice\n" in captured.err
    assert [line[:26] for line in captured.out.splitlines()[-3:]] == [
        f"repeat {number} of 3: exit code 0" for number in (1, 2, 3)
    ]
    with Store.open("runs/store.sqlite") as store:
        kept = store.runs(lot="sluice", board_name="B1")
    assert [run.seed for run in kept] == [7, 8, 9]


def test_repeats_share_the_risk_and_are_judged_so_again(bench):
    bench(checks=FakeChecks(changes={"leaf.step.delay": 1.0052e-3}))
    assert bench.main(["qualify", str(SLUICE), "--out", "one", "--seed", "1"]) == 1
    assert bench.main(["qualify", str(SLUICE), "--out", "many", "--seed", "1", "--repeats", "4"]) == 0
    risk = read(Path("many/1")).risk
    assert risk.runs_sharing_risk == 4
    assert risk.each == pytest.approx(shared_risk(risk.false_alarm, risk.planned * 4))
    page = Path("many/3/report.html").read_text()
    assert "each in 4 runs" in page
    assert "<dd>3 of 4</dd>" in page
    assert "<dt>Repeat</dt>" not in Path("one/report.html").read_text()


def test_a_record_is_judged_again_at_the_looks_it_was_planned_for(bench):
    bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "many", "--repeats", "2"]) == 0
    record = read(Path("many/2"))
    risk = content_of(record)["risk"]
    older = edited(record, risk={key: value for key, value in risk.items() if key != "runs_sharing_risk"})
    assert [rule_of(run, run.spec).runs_sharing_risk for run in (record, older)] == [2, 1]
    assert rule_of(record, record.spec).risk_each == record.risk.each


@pytest.mark.parametrize("trouble", [InstrumentError("supply: silent"), StopSignal("stopped by Ctrl-C")])
def test_trouble_of_the_bench_ends_the_row_and_keeps_what_was_measured(bench, capsys, trouble):
    class Fails(dict):
        def __contains__(self, name):
            return name == "leaf.stiffness" and checks.ran.count("leaf.stiffness") == 2

        def __getitem__(self, name):
            return trouble

    checks, _ = bench(checks=FakeChecks(raises=Fails()))
    assert bench.main(["qualify", str(SLUICE), "--out", "r", "--repeats", "4"]) == 3
    lines = capsys.readouterr().out.splitlines()[-4:]
    assert [line.split(": ")[1] for line in lines] == ["exit code 0", "exit code 3", "not run", "not run"]
    assert lines[-1] == "repeat 4 of 4: not run: because repeat 2 ended with 3"
    assert read(Path("r/1")).finished
    assert not read(Path("r/2")).finished
    assert not Path("r/3").exists()
    with Store.open("store.sqlite") as store:
        assert [run.exit_code for run in store.runs()] == [0, 3]


def test_json_gives_one_object_for_all_of_them(bench, capsys):
    bench()
    assert bench.main(["--json", "qualify", str(SLUICE), "--out", "r", "--repeats", "2", "--board", "B1"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["exit_code"], said["asked"], said["trouble"]) == (0, 2, "")
    assert [entry["repeat"]["number"] for entry in said["repeats"]] == [1, 2]
    assert [entry["kept"]["run"] for entry in said["repeats"]] == [1, 2]


def test_a_board_that_says_no_unique_id_is_qualified_and_that_is_said(bench, capsys):
    bench(rig=FakeRig(identity=replace(IDENTITY, unique_id="")))
    assert bench.main(["qualify", str(SLUICE), "--out", "r", "--board", "B1"]) == 0
    assert "the board says no unique id" in capsys.readouterr().err


def ended(code):
    class Stub:
        pass

    stub = Stub()
    stub.code, stub.stop = code, None
    return stub


def test_what_a_later_run_raises_is_kept_beside_what_was_measured(tmp_path):
    settings = Settings(rig=SLUICE, out=tmp_path / "r", seed=1)

    def second_fails(run_settings):
        if run_settings.number == 2:
            raise StopSignal("stopped by Ctrl-C")
        return ended(ExitCode.DIFFERS)

    found = repeat(settings, 3, second_fails)
    assert (len(found.runs), str(found.trouble), found.code) == (1, "stopped by Ctrl-C", ExitCode.BENCH)
    with pytest.raises(InstrumentError):
        repeat(settings, 3, lambda run_settings: (_ for _ in ()).throw(InstrumentError("silent")))


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.usefixtures("terminal_signals")
def test_a_signal_when_a_run_is_told_ends_the_row_and_loses_nothing_of_it(bench, capsys, monkeypatch):
    checks, _ = bench()
    shown = Terminal.table

    def interrupted(self, verdicts):
        signal.raise_signal(signal.SIGINT)
        shown(self, verdicts)

    monkeypatch.setattr(Terminal, "table", interrupted)
    assert bench.main(["qualify", str(SLUICE), "--out", "r", "--repeats", "3"]) == 3
    out = capsys.readouterr().out.splitlines()
    assert any("leaf.step.delay" in line and "agrees" in line for line in out)
    assert out[-3].startswith("repeat 1 of 3: exit code 0: ")
    assert out[-2:] == [f"repeat {number} of 3: not run: stopped by Ctrl-C" for number in (2, 3)]
    assert checks.ran.count("leaf.step") == 1


def test_a_hook_decides_whether_there_is_time_for_another(tmp_path):
    settings = Settings(rig=SLUICE, out=tmp_path / "r", seed=1)
    found = repeat(settings, 5, lambda run_settings: ended(ExitCode.AGREES), go_on=lambda runs: len(runs) < 2)
    assert (len(found.runs), found.asked, found.trouble, found.code) == (2, 5, None, ExitCode.AGREES)


def test_settings_of_one_run_and_of_several(tmp_path):
    settings = Settings(rig=SLUICE, out=tmp_path / "r", seed=5)
    (single,) = settings_of(settings, 1)
    assert (single.out, single.seed, single.number, single.runs_sharing_risk) == (tmp_path / "r", 5, 1, 1)
    three = settings_of(settings, 3)
    assert [(each.out, each.seed, each.number, each.runs_sharing_risk) for each in three] == [
        (tmp_path / "r" / str(k), 4 + k, k, 3) for k in (1, 2, 3)
    ]
    with pytest.raises(UsageError, match="expected 1 run or more, found 0"):
        settings_of(settings, 0)
    with pytest.raises(UsageError, match="for 3 runs, which count it up"):
        settings_of(replace(settings, seed=2**63 - 2), 3)


def test_a_folder_that_holds_one_of_the_records_is_refused_before_anything_is_opened(bench, capsys):
    _, rig = bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "r/2"]) == 0
    rig.events.clear()
    assert bench.main(["qualify", str(SLUICE), "--out", "r", "--repeats", "2"]) == 4
    assert "r/2: holds a record already" in capsys.readouterr().err
    assert rig.events == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--repeats", "0"], "expected a whole number from 1 to 1000, found '0'"),
        (["--repeats", "x"], "expected a whole number from 1 to 1000, found 'x'"),
        (["--board", "a/b"], "--board 'a/b': expected up to 40 letters and digits with . _ - between them"),
        (["--board", "b", "--lot", "l" * 41], "--lot 'lllll"),
    ],
)
def test_wrong_use(bench, capsys, words, message):
    _, rig = bench()
    assert bench.main(["qualify", str(SLUICE), *words]) == 4
    captured = capsys.readouterr()
    assert message in captured.err
    assert captured.err.count("\n") == 1
    assert rig.events == []


def test_a_swapped_board_is_refused_before_anything_is_energised(bench, capsys):
    _, rig = bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a", "--board", "B1", "--lot", "L"]) == 0
    rig.events.clear()
    capsys.readouterr()
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/b", "--board", "B2", "--lot", "L"]) == 4
    said = capsys.readouterr().err.splitlines()[-1]
    assert "the board with unique id ab12 was called B1 in run 1 (" in said
    assert "of lot L, and is called B2 now" in said
    assert "--board-seed N makes a board of its own" in said
    rig.identity = replace(IDENTITY, unique_id="cd34")
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/c", "--board", "B1", "--lot", "L"]) == 4
    assert "board B1 has unique id cd34, and had ab12 in run 1 (" in capsys.readouterr().err
    assert "power on" not in rig.events
    assert not Path("runs/b").exists()
    assert not Path("runs/c").exists()
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/d", "--board", "B1", "--lot", "other"]) == 0
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/e", "--board", "B2", "--lot", "L"]) == 0


def test_a_board_exchanged_between_two_repeats_is_seen_without_a_store(bench, capsys):
    _, rig = bench()
    power_on = rig.power_on

    def swap():
        power_on()
        rig.identity = replace(IDENTITY, unique_id="cd34")

    rig.power_on = swap
    words = ["qualify", str(SLUICE), "--out", "r", "--board", "B1", "--repeats", "2", "--no-store"]
    assert bench.main(words) == 4
    out = capsys.readouterr().out.splitlines()
    assert out[-2].startswith("repeat 1 of 2: exit code 0")
    assert out[-1] == (
        "repeat 2 of 2: not run: board B1 had unique id ab12 in the run before and has cd34 now: it was exchanged"
    )


def test_a_folder_that_cannot_be_is_one_line(monkeypatch, tmp_path, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.main(["qualify", str(SLUICE), "--out", "a" * 300]) == 4
    assert "cannot be looked for: File name too long" in capsys.readouterr().err


def test_json_says_where_the_record_of_a_repeat_is_whose_firmware_is_at_fault(bench, capsys, monkeypatch):
    _, rig = bench()
    switched_off = rig.switched_off

    def faulty_from_now_on():
        rig.fault = FirmwareFault("no import", "import")
        return switched_off()

    monkeypatch.setattr(rig, "switched_off", faulty_from_now_on)
    assert bench.main(["--json", "qualify", str(SLUICE), "--out", "r", "--repeats", "2"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert (len(said["repeats"]), said["trouble"]) == (1, "no import")
    assert (said["refused"]["record"], said["refused"]["kept"]["run"]) == ("r/2", 2)
