"""The command line: every way out is one of our exit codes, every mistake one line, no traceback."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.base.errors import BenchError, FirmwareFault, HarnessError, InstrumentError, StoppedByBoard
from harness.bench import safe
from harness.bench.safe import SUPPLY_OFF, StepOutcome, StopSignal, UnsafeBench, note_unsafe
from harness.command import main as cli
from harness.nouns.results import Outcome
from harness.record import read
from harness.show.terminal import Terminal
from harness.store import Store
from tests.patience import PATIENCE_S
from tests.software.run.fakes import SLUICE, FakeChecks, FakeRig

ROTORGATE = [sys.executable, "-m", "harness.command.main"]


def run(*words: str, **options) -> subprocess.CompletedProcess[str]:
    return python(*ROTORGATE[1:], *words, **options)


def python(*words: str, text: bool = True, **options) -> subprocess.CompletedProcess:
    command = [sys.executable, *words]
    return subprocess.run(command, capture_output=True, text=text, check=False, timeout=PATIENCE_S, **options)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["qualif"], "invalid choice: 'qualif'"),
        (["qualify"], "the following arguments are required: RIG"),
        (
            ["qualify", "--only", "commutation", "x.toml"],
            "required: RIG (see rotorgate qualify --help): put RIG before",
        ),
        (["qualify", "x.toml", "--seed", "-1"], "expected a whole number from 0, found '-1'"),
        (["qualify", "x.toml", "--seed", "1.5"], "argument --seed: expected a whole number from 0, found '1.5'"),
        (["qualify", "x.toml", "--seed", "9" * 40], "expected a whole number from 0"),
        (["qualify", "x.toml", "--see", "1"], "unrecognized arguments: --see 1"),
        (["report"], "the following arguments are required: DIR"),
        (["qualify", "absent.toml"], "absent.toml: no such rig file; `rotorgate inspect --new FILE` writes one"),
        (["qualify", "/"], "/: expected a rig file, found a folder"),
        (["report", str(SLUICE)], "rig.toml: expected a folder that holds record.json, found a file"),
        (["report", "absent"], "absent: no record here; expected a folder that holds record.json"),
        (["qualify", str(SLUICE), "--only", "stiffnes"], "--only stiffnes: no such check; did you mean stiffness?"),
        (["qualify", str(SLUICE), "--only", "step,thermal"], "--only step,thermal: no such check; put spaces between"),
        (
            ["qualify", str(SLUICE), "--only", "x"],
            "--only x: no such check; there are states, commutation, ",
        ),
        (["--log", "/", "report", "x"], "--log /: cannot write"),
        (["inspect", "absent.toml"], "absent.toml: no such rig file"),
    ],
)
def test_wrong_use_ends_with_4_and_one_line(capsys, words, message):
    assert cli.main(words) == 4
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("rotorgate: ")
    assert message in captured.err
    assert captured.err.count("\n") == 1


def test_all_problems_of_a_rig_file_one_line_each(capsys, tmp_path):
    bad = tmp_path / "bad\x1b[31m.toml"
    bad.write_text(SLUICE.read_text().replace("pole_pairs = 10", "pole_pairs = 0").replace("bits = 15", "bits = 1"))
    assert cli.main(["qualify", str(bad)]) == 4
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 4
    assert "bad\\x1b[31m.toml: motor.leaf.pole_pairs: expected an integer from 1, found 0" in lines[0]


def test_help_and_version_end_with_0():
    done = run("--help")
    assert done.returncode == 0
    assert "qualify" in done.stdout
    assert run("--version").stdout.startswith("rotorgate ")
    assert run("qualify", "--help").returncode == 0


def test_help_puts_the_rig_before_the_option_that_takes_many(capsys):
    assert cli.main(["qualify", "--help"]) == 0
    usage = capsys.readouterr().out.partition("\n\n")[0]
    assert 0 < usage.index(" RIG ") < usage.index("--only")


def test_json_errors_are_one_object_on_standard_output(capsys):
    assert cli.main(["--json", "report", "absent"]) == 4
    captured = capsys.readouterr()
    assert captured.err == ""
    assert json.loads(captured.out) == {
        "exit_code": 4,
        "error": ["absent: no record here; expected a folder that holds record.json"],
    }


@pytest.mark.parametrize(
    ("raised", "code", "words"),
    [
        (BenchError("no answer"), 3, "no answer"),
        (KeyboardInterrupt(), 3, "interrupted"),
        (HarnessError("broken"), 5, "broken"),
        (RuntimeError("a \x1b[31m defect"), 5, "a defect of rotorgate, please report it with"),
        (RecursionError(), 5, "RecursionError"),
        (SystemExit(1), 5, ""),
        (StoppedByBoard("too fast"), 1, "too fast"),
    ],
)
def test_whatever_is_raised_has_its_code(capsys, monkeypatch, raised, code, words):
    def broken(arguments):
        raise raised

    monkeypatch.setattr(cli, "_runner", lambda command: broken)
    assert cli.main(["report", "x"]) == code
    said = capsys.readouterr().err
    assert words in said
    assert "\x1b" not in said
    assert "Traceback" not in said


def test_a_reader_that_leaves_is_no_defect():
    program = "import os, sys; from harness.command import main as cli; sys.exit(cli.main(['--help']))"
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as stream:
        done = subprocess.run([sys.executable, "-c", program], stdout=stream, stderr=subprocess.PIPE, check=False)
    assert done.returncode in (0, 3)
    assert b"Traceback" not in done.stderr


class Leaving(io.StringIO):
    """A reader that leaves after the first line."""

    def __init__(self, error: OSError) -> None:
        super().__init__()
        self.error = error

    def write(self, text: str) -> int:
        if self.getvalue().count("\n"):
            raise self.error
        return super().write(text)


@pytest.mark.parametrize("error", [BrokenPipeError(errno.EPIPE, "pipe"), OSError(errno.ENOSPC, "No space left")])
@pytest.mark.parametrize("lost", ["stdout", "stderr"])
def test_a_verdict_does_not_depend_on_who_reads_it(bench, monkeypatch, capsys, error, lost):
    bench(checks=FakeChecks(changes={"leaf.step.delay": 2.0}))
    monkeypatch.setattr(sys, lost, Leaving(error))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    assert read(Path("run")).finished
    if lost == "stdout":
        full = isinstance(error, OSError) and error.errno == errno.ENOSPC
        assert ("could not be written to standard output: No space left" in capsys.readouterr().err) is full


@pytest.mark.skipif(os.name != "posix", reason="closes file descriptors")
@pytest.mark.parametrize("closed", [(1,), (2,), (0, 1, 2)])
def test_closed_standard_streams_are_no_defect(closed, tmp_path):
    program = (
        f"import os\nfor n in {closed}: os.close(n)\nos.execv({sys.executable!r}, {[*ROTORGATE, 'report', 'x']!r})"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], check=False, cwd=tmp_path, capture_output=True, timeout=PATIENCE_S
    )
    assert done.returncode == 4, done.stderr


def test_warnings_of_the_harness_are_not_written_by_python_itself():
    program = (
        "import logging, sys; from harness.command import main as cli\n"
        "cli._runner = lambda _: lambda _: logging.getLogger('harness.safe').warning('x') or 0\n"
        "sys.exit(cli.main(['report', 'x']))"
    )
    done = python("-c", program, text=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_narrow_encoding_does_not_break_output(tmp_path):
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252", "TERM": "dumb", "NO_COLOR": "1"}
    done = run("report", "\u6c34\u9580", env=environment)
    assert done.returncode == 4
    assert "\\u6c34" in done.stderr


def test_a_healthy_board_ends_with_0_record_and_report(bench, capsys):
    _, rig = bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "run", "--seed", "7"]) == 0
    captured = capsys.readouterr()
    first = captured.out.splitlines()[0]
    assert first == "sluice (SIMULATED): 19 agrees, 2 conforming"
    assert "record run" in captured.out
    assert "report run" in captured.out
    assert "leaf: stiffness" in captured.err
    assert "SIMULATED" in captured.err
    record = read(Path("run"))
    assert record.finished
    assert record.exit_code == 0
    assert record.seed == 7
    assert record.rig.text == SLUICE.read_text()
    assert rig.events[0] == "open 7"
    assert rig.events[-1] == "closed"


def test_a_drawn_seed_is_shown_and_kept(bench, capsys):
    bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 0
    seed = read(Path("run")).seed
    assert f"seed {seed}\n" in capsys.readouterr().err


def test_json_is_the_only_thing_on_standard_output(bench, capsys):
    bench(checks=FakeChecks(changes={"leaf.step.delay": 5e-3}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run", "--json"]) == 1
    captured = capsys.readouterr()
    assert captured.err == ""
    result = json.loads(captured.out)
    assert result["exit_code"] == 1
    assert result["simulated"] is True
    assert result["counts"]["differs"] == 1
    assert [entry["name"] for entry in result["verdicts"] if entry["outcome"] == "differs"] == ["leaf.step.delay"]


def test_quiet_shows_the_verdict_only(bench, capsys):
    bench()
    assert bench.main(["--quiet", "qualify", str(SLUICE), "--out", "run"]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    assert [line.split(" ")[0] for line in captured.out.splitlines()] == ["sluice", "record", "report", "store"]


@pytest.mark.parametrize(
    ("raised", "code", "words"),
    [
        (InstrumentError("supply: silent"), 3, "stopped: supply: silent"),
        (KeyboardInterrupt(), 3, "stopped: KeyboardInterrupt"),
        (StopSignal("stopped by SIGTERM"), 3, "\nstopped by SIGTERM\n"),
        (ZeroDivisionError("zero"), 5, "a defect of rotorgate, please report it with run/defect.txt"),
    ],
)
def test_trouble_in_a_check_is_recorded_and_reported(bench, capsys, raised, code, words):
    _, rig = bench(checks=FakeChecks(raises={"leaf.step": raised}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == code
    captured = capsys.readouterr()
    assert words in captured.out
    assert "Traceback" not in captured.out + captured.err
    assert "make safe" in rig.events
    record = read(Path("run"))
    assert not record.finished
    assert record.exit_code == code
    assert Path("run/report.html").exists()


def test_where_making_safe_fails_the_order_to_a_person_comes_first_everywhere(bench, capsys):
    unsafe = {"phases off": "clock: gone", "supply off": "supply: silent"}
    raises = {"leaf.states": InstrumentError("clock: gone")}
    bench(checks=FakeChecks(raises=raises), rig=FakeRig(unsafe=unsafe))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 3
    order = "SWITCH THE POWER OFF BY HAND: phases and supply may still be on"
    out, err = capsys.readouterr()
    whole = f"{order} (phases off FAILED: clock: gone; supply off FAILED: supply: silent)\n"
    assert out.startswith(whole)
    assert "\nstopped: clock: gone\n" in out
    assert out.count(order) == 1
    assert err.endswith(whole), "at once, before anything is closed"
    stop = read(Path("run")).stop
    assert stop.by_hand.startswith(order)
    assert stop.message == "clock: gone"
    page = Path("run/report.html").read_text(encoding="utf-8")
    assert page.index(f'<p class="order">{order}') < page.index("<h1>")
    assert "speaks against" not in page
    assert "Nothing was decided: this page says nothing for or against the board." in page


def test_a_defect_on_a_bench_that_is_not_left_safe_ends_with_the_code_that_stands_in_the_record(bench, capsys):
    raises = {"leaf.commutation": ZeroDivisionError("zero")}
    bench(checks=FakeChecks(raises=raises), rig=FakeRig(unsafe={"supply off": "supply: silent"}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 5
    assert capsys.readouterr().out.startswith("SWITCH THE POWER OFF BY HAND: supply may still be on")
    assert read(Path("run")).exit_code == 5


def test_the_order_stands_in_the_record_of_a_run_that_ended_while_it_began(bench, capsys):
    class Refused(FakeChecks):
        def check_named(self, name: str):
            if rig.events:
                raise BenchError("record.json: cannot write")
            return super().check_named(name)

    rig = FakeRig(unsafe={"supply off": "supply: silent"})
    bench(checks=Refused(), rig=rig)
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 3
    order = "SWITCH THE POWER OFF BY HAND: supply may still be on (supply off FAILED: supply: silent)"
    assert f"rotorgate: {order}\nrotorgate: record.json: cannot write\n" in capsys.readouterr().err
    stop = json.loads(Path("run/record.json").read_bytes())["stop"]
    assert stop == {"by_hand": order, "kind": "bench", "message": "record.json: cannot write"}


def test_a_cause_that_is_not_known_is_said_once(bench, capsys):
    bench(checks=FakeChecks(changes={"leaf.step.delay": 0.2, "wheel.stiffness.open_loop": 0.3}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    out = capsys.readouterr().out
    assert "\ncause not known: " in out
    assert "cause: cause" not in out


def test_firmware_that_does_not_parse_is_refused_with_a_record_that_says_so(bench, capsys):
    words = 'firmware sluice_drive: cannot be imported or asked: SyntaxError: invalid syntax (File "x.py", line 2)'
    checks, _ = bench(rig=FakeRig(declared={}, fault=FirmwareFault(words, "import")))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    said = capsys.readouterr()
    assert said.err.splitlines()[-1] == f"rotorgate: {words}"
    assert said.out.splitlines()[:2] == ["record run", "report run/report.html"]
    assert checks.ran == []
    record = read(Path("run"))
    assert (record.finished, record.exit_code, record.stop) == (True, 1, None)
    assert record.switched_off == "phases off; supply output off"
    (verdict,) = record.verdicts
    assert (verdict.name, verdict.outcome, verdict.reason) == ("conduct.import", Outcome.NONCONFORMING, words)
    page = Path("run/report.html").read_text(encoding="utf-8")
    assert "The board is refused" in page and "Nothing was measured." in page
    with Store.open("store.sqlite") as store:
        assert [run.exit_code for run in store.runs()] == [1]


def test_firmware_that_does_not_parse_on_a_bench_that_cannot_be_made_safe_says_so_first(bench):
    unsafe = {"supply off": "supply: silent"}
    bench(rig=FakeRig(declared={}, fault=FirmwareFault("no import", "import"), unsafe=unsafe))
    bench.main(["qualify", str(SLUICE), "--out", "run"])
    record = read(Path("run"))
    assert not record.finished
    assert record.stop is not None and record.stop.by_hand.startswith("SWITCH THE POWER OFF BY HAND")


def test_firmware_at_fault_that_cannot_be_taken_off_again_is_said_in_its_record(bench):
    words = "firmware not put back, `rotorgate qualify RIG --restore` does it: no board"
    bench(rig=FakeRig(declared={}, fault=FirmwareFault("no import", "import"), not_put_back=words))
    bench.main(["qualify", str(SLUICE), "--out", "run"])
    record = read(Path("run"))
    assert record.stop is not None and words in record.stop.message
    assert record.switched_off == "phases off; supply output off"
    assert words in Path("run/report.html").read_text(encoding="utf-8")


def test_json_says_where_the_record_of_firmware_at_fault_is(bench, capsys):
    bench(rig=FakeRig(declared={}, fault=FirmwareFault("no import", "import")))
    assert bench.main(["--json", "qualify", str(SLUICE), "--out", "run"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert (said["exit_code"], said["error"]) == (1, ["no import"])
    assert (said["record"], said["report"], said["kept"]["run"]) == ("run", "run/report.html", 1)


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("where", ["closed", "kept"])
def test_a_signal_while_firmware_is_refused_leaves_its_record_whole(bench, monkeypatch, where):
    owner, name = {"closed": (FakeRig, "switched_off"), "kept": (Store, "keep")}[where]
    act = getattr(owner, name)

    def interrupting(*given):
        signal.raise_signal(signal.SIGINT)
        return act(*given)

    monkeypatch.setattr(owner, name, interrupting)
    bench(rig=FakeRig(declared={}, fault=FirmwareFault("no import", "import")))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    assert read(Path("run")).finished
    with Store.open("store.sqlite") as store:
        assert [run.exit_code for run in store.runs()] == [1]


@pytest.mark.parametrize("unsafe", [False, True])
def test_a_signal_while_the_rig_is_opened_says_what_is_switched_on(bench, capsys, unsafe):
    opening = StopSignal("stopped by Ctrl-C")
    said = ["stopped by Ctrl-C while the rig was being opened: rotorgate had switched nothing on yet"]
    if unsafe:
        trouble = UnsafeBench([StepOutcome(step=SUPPLY_OFF, trouble="no answer")], "stopped by Ctrl-C")
        note_unsafe(opening, trouble)
        said.insert(0, trouble.order)
    bench(opening=opening)
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 3
    assert [line for line in capsys.readouterr().err.splitlines() if line.startswith("rotorgate: ")] == [
        f"rotorgate: {line}" for line in said
    ]
    assert not Path("run").exists()


def test_what_would_settle_a_cause_stands_after_it(bench, capsys):
    bench(checks=FakeChecks(changes={"leaf.stiffness.closed_loop": 1.0}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    lines = capsys.readouterr().out.splitlines()
    (cause,) = read(Path("run")).causes
    assert cause.confirmed_by
    assert lines[lines.index(f"cause: {cause.words}") + 1] == f"what would confirm it: {cause.confirmed_by}"


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("where", ["made safe", "closed", "kept", "told"])
@pytest.mark.parametrize("first", [False, True], ids=["the first", "the second"])
def test_a_signal_at_the_end_takes_nothing_away_that_was_measured(bench, capsys, monkeypatch, where, first):
    def interrupted(act):
        def interrupting(*given, **named):
            signal.raise_signal(signal.SIGINT)
            return act(*given, **named)

        return interrupting

    monkeypatch.setattr(safe, "DEAF_S", 0.0)  # as if it came much later than the one before
    raises = {"wheel.thermal": StopSignal("stopped by Ctrl-C")} if first else {}
    _, rig = bench(checks=FakeChecks(raises=raises))
    owner, name = {
        "made safe": (FakeRig, "make_safe"),
        "closed": (FakeRig, "switched_off"),
        "kept": (Store, "keep"),
        "told": (Terminal, "table"),
    }[where]
    monkeypatch.setattr(owner, name, interrupted(getattr(owner, name)))
    code = bench.main(["qualify", str(SLUICE), "--out", "run"])
    lines = capsys.readouterr().out.splitlines()
    assert any("leaf.step.delay" in line and "agrees" in line for line in lines)
    assert lines[-2:-1] == ["report run/report.html"] and rig.events[-1] == "closed"
    record = read(Path("run"))
    assert (record.finished, record.exit_code, code) == ((False, 3, 3) if first else (True, 0, 0))
    assert (record.stop is not None) is first


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("json_asked", [False, True], ids=["terminal", "json"])
def test_a_signal_while_a_run_is_closed_hides_no_trouble_of_closing(bench, capsys, monkeypatch, json_asked):
    words = "firmware not put back, `rotorgate qualify RIG --restore` does it: no board"
    _, rig = bench(rig=FakeRig(not_put_back=words))
    make_safe = rig.make_safe

    def interrupting():
        signal.raise_signal(signal.SIGINT)
        return make_safe()

    monkeypatch.setattr(rig, "make_safe", interrupting)
    assert bench.main([*(["--json"] if json_asked else []), "qualify", str(SLUICE), "--out", "run"]) == 3
    out = capsys.readouterr().out
    assert (json.loads(out)["error"] if json_asked else out.splitlines()).count(words) == 1


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.usefixtures("terminal_signals")
def test_a_signal_while_pytest_comes_up_is_a_stop_and_no_defect(bench, capsys, monkeypatch):
    checks, _ = bench()
    real = pytest.main

    def coming_up(words, plugins):
        try:
            signal.raise_signal(signal.SIGINT)
        except BaseException:  # pytest takes whatever comes amid loading a plugin for the plugin's own trouble
            return pytest.ExitCode.USAGE_ERROR
        return real(words, plugins=plugins)

    monkeypatch.setattr(pytest, "main", coming_up)
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 3
    assert "stopped by Ctrl-C" in capsys.readouterr().out
    assert checks.ran == []
    record = read(Path("run"))
    assert record.stop is not None and record.stop.message == "stopped by Ctrl-C"


def test_json_says_the_order_to_a_person_first(bench, capsys):
    raises = {"leaf.commutation": InstrumentError("supply: silent")}
    bench(checks=FakeChecks(raises=raises), rig=FakeRig(unsafe={"supply off": "supply: silent"}))
    assert bench.main(["--json", "qualify", str(SLUICE), "--out", "run"]) == 3
    assert json.loads(capsys.readouterr().out)["error"][0].startswith("SWITCH THE POWER OFF BY HAND: supply may")


def test_a_stop_by_the_board_is_told_and_the_rest_is_measured(bench, capsys):
    checks, _ = bench(checks=FakeChecks(raises={"leaf.step": StoppedByBoard("too fast")}))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 1
    assert "\nthe board was stopped in leaf step: too fast\n" in capsys.readouterr().out
    assert "wheel.thermal" in checks.ran
    assert read(Path("run")).finished


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ((), "--firmware new: no .py or .mpy file there"),
        (("other.py",), "--firmware new: no sluice_drive.py there, the module that the rig file names"),
        (("sluice_drive.py", "main.py"), "--firmware new: main.py would run at every start of the board; name it in"),
    ],
)
def test_firmware_that_must_not_go_on_a_board_is_refused_before_anything_is_opened(bench, capsys, names, words):
    _, rig = bench()
    Path("new").mkdir()
    for name in names:
        (Path("new") / name).write_text("")
    assert bench.main(["qualify", str(SLUICE), "--firmware", "new"]) == 4
    assert words in capsys.readouterr().err
    assert bench.main(["qualify", str(SLUICE), "--firmware", "absent"]) == 4
    assert "--firmware absent: no such file or folder" in capsys.readouterr().err
    assert rig.events == []


def test_a_rig_that_cannot_be_opened_leaves_no_folder(bench, capsys, tmp_path):
    bench(opening=BenchError("board: in use by process 1 of root"))
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 3
    assert capsys.readouterr().err.endswith("rotorgate: board: in use by process 1 of root\n")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_holds_a_record_is_refused_before_anything_is_opened(bench, capsys):
    _, rig = bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 0
    rig.events.clear()
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 4
    assert "run: holds a record already; choose another folder with --out" in capsys.readouterr().err
    assert rig.events == []


@pytest.mark.parametrize("addopts", ["--co", "-n 4", "-k nothing", "--deselect x", "-p no:harness.plugin"])
def test_a_persons_pytest_options_change_nothing(bench, monkeypatch, addopts):
    bench()
    monkeypatch.setenv("PYTEST_ADDOPTS", addopts)
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 0
    assert len(read(Path("run")).measurements) == 19
    assert os.environ["PYTEST_ADDOPTS"] == addopts


def test_a_persons_configuration_changes_nothing(bench, tmp_path):
    bench()
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = --co\npython_files = nothing_*.py\n")
    (tmp_path / "conftest.py").write_text("raise SystemExit(1)\n")
    assert bench.main(["qualify", str(SLUICE), "--out", "run"]) == 0


def test_report_writes_the_page_of_an_unfinished_record(bench, capsys):
    bench(checks=FakeChecks(raises={"leaf.step": BenchError("gone")}))
    bench.main(["qualify", str(SLUICE), "--out", "run"])
    page = Path("run/report.html")
    page.unlink()
    capsys.readouterr()
    assert bench.main(["report", "run"]) == 0
    assert capsys.readouterr().out == "report run/report.html (of an unfinished run)\n"
    assert page.exists()


def test_simulated_options_on_a_real_rig_are_refused(capsys, tmp_path):
    real = tmp_path / "real.toml"
    ports = iter(range(5001, 5010))
    text = re.sub(r"simulated:sluice/\w+", lambda _: f"TCPIP0::127.0.0.1::{next(ports)}::SOCKET", SLUICE.read_text())
    real.write_text(text.replace("simulated:sluice", "/dev/absent"))
    assert cli.main(["qualify", str(real), "--with-fault", "x", "--out", str(tmp_path / "run")]) == 4
    assert (
        "--plant-seed and --with-fault are for a rig whose addresses begin with simulated:" in capsys.readouterr().err
    )


def test_help_imports_nothing_heavy():
    heavy = "numpy scipy pyvisa serial pydantic jinja2 rich pytest"
    program = (
        "import sys\nfrom harness.command import main as cli\ncli.main(['--help'])\n"
        f"found = [name for name in {heavy.split()!r} if name in sys.modules]\nsys.exit(repr(found) if found else 0)\n"
    )
    done = python("-c", program)
    assert done.returncode == 0, done.stderr


WITH_A_SIGNAL = """
import atexit, os, signal, sys
from harness.command import main as cli

def say(*_):
    {during}
    print("said", flush=True)
    return 2

cli._runner = lambda _name: say
atexit.register(os.kill, os.getpid(), signal.SIG{name})
sys.argv = ["rotorgate", "report", "x"]
cli.command()
"""


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("name", ["HUP", "TERM", "INT"])
def test_a_signal_when_all_is_said_does_not_change_the_exit_code(name):
    program = WITH_A_SIGNAL.format(name=name, during="pass")
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert (done.returncode, done.stdout, done.stderr) == (2, "said\n", "")


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("name", ["HUP", "TERM", "INT"])
def test_a_signal_in_a_command_that_drives_no_bench_ends_it_in_one_line(name):
    program = WITH_A_SIGNAL.format(name=name, during=f"os.kill(os.getpid(), signal.SIG{name})")
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    words = "stopped by Ctrl-C" if name == "INT" else f"stopped by SIG{name}"
    assert (done.returncode, done.stdout, done.stderr) == (3, "", f"rotorgate: {words}\n")
