"""`rotorgate report --judge-again`: today's code over the observations of a kept record, and what that changes."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.command import main as cli
from harness.record import read
from harness.report.judged_again import UNCHANGED
from harness.run.judge_again import record_again
from tests.software.record.contents import VERDICT, content_of, edited

OLD = Path(__file__).parents[1] / "record" / "schema_1_of_2026_11_29"
LOOP, RATIO, AGE = "gate.stiffness.closed_loop", "gate.stiffness.ratio", "gate.commutation.sensor_age"
PAGE = Path("run/report-judged-again.html")

Say = Callable[..., tuple[int, str, str]]


@pytest.fixture
def say(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Say:
    """Judge the record in `run` again: exit code, standard output, standard error.

    It is the old one as the code of today judges it, so that what a test changes is all that has changed.
    """
    monkeypatch.chdir(tmp_path)
    shutil.copytree(OLD, "run")
    Path("run/record.json").write_bytes(record_again(read(Path("run"))).data)

    def run(*words: str) -> tuple[int, str, str]:
        code = cli.main(["report", "run", "--judge-again", *words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def as_if(**entries: Any) -> None:
    """Let the record say something else, as if another version had judged it."""
    record = edited(read(Path("run")), **entries)
    Path("run/record.json").write_bytes(record.data)


def with_entry(part: str, name: str, **changes: Any) -> dict[str, Any]:
    """The entries of a part, those of one quantity changed."""
    entries = content_of(read(Path("run")))[part]
    return {part: [{**entry, **changes} if entry["name"] == name else entry for entry in entries]}


def hashes() -> dict[str, str]:
    return {path.as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in Path("run").rglob("*.*")}


def test_where_the_code_finds_the_same_it_says_so_and_ends_as_then(say: Say) -> None:
    before = hashes()
    code, out, err = say()
    assert (code, err) == (1, "")
    first, what, changed, place = out.splitlines()
    assert first.startswith("sluice (SIMULATED), judged again: 15 agrees, 2 differs, 1 cannot tell")
    assert what.startswith("this is the code of today (rotorgate ")
    assert "over the observations of 2026-11-29T15:04:" in what
    assert what.endswith("Nothing was measured, and the record is as it was")
    assert changed == UNCHANGED
    assert place == f"report {PAGE}"
    assert {name: sha256 for name, sha256 in hashes().items() if name != PAGE.as_posix()} == before
    page = PAGE.read_text(encoding="utf-8")
    assert "JUDGED AGAIN: the code of today" in page
    assert UNCHANGED in page
    assert "loop gain is 0.5 times" in page


def test_another_analysis_is_told_with_what_it_changes(say: Say) -> None:
    u = read(Path("run")).measurements[RATIO].quantity.u
    entries = with_entry("measurements", RATIO, value=0.757, interval95=[0.747, 0.767], u=u)
    as_if(**entries, **with_entry("verdicts", RATIO, outcome="agrees"))
    line = say()[1].splitlines()[2]
    found = f"{RATIO}: measured 0.3834 +- 0.0091, then 0.757 +- 0.010 ("
    assert line.startswith(found)
    assert line.endswith(" u); differs, then agrees (another analysis)")
    assert float(line.removeprefix(found).split()[0]) == pytest.approx((0.3834 - 0.757) / u, rel=0.02)
    assert "differs, then agrees (another analysis)" in PAGE.read_text(encoding="utf-8")


def test_what_the_digits_do_not_show_is_told_beside_them(say: Say) -> None:
    (entry,) = (entry for entry in content_of(read(Path("run")))["measurements"] if entry["name"] == RATIO)
    value, u = entry["value"] + 1e-3 * entry["u"], 1.01 * entry["u"]
    as_if(**with_entry("measurements", RATIO, value=value, u=u))
    line = say()[1].splitlines()[2]
    assert (
        line == f"{RATIO}: measured 0.3834 +- 0.0091, then 0.3834 +- 0.0091 (-0.00099 u, u -0.99 %) (another analysis)"
    )


def test_a_requirement_is_told_beside_the_model_only_where_its_word_is_another(say: Say) -> None:
    as_if(**with_entry("measurements", LOOP, value=0.5, interval95=[0.49, 0.51]))
    assert len(say()[1].splitlines()) == 4
    verdicts = content_of(read(Path("run")))["verdicts"]
    as_if(
        verdicts=[
            {**verdict, "outcome": "conforming"} if verdict["outcome"] == "nonconforming" else verdict
            for verdict in verdicts
        ]
    )
    lines = say()[1].splitlines()
    assert len(lines) == 5
    assert lines[3].startswith(f"{LOOP} (requirement): measured ")
    assert lines[3].endswith("; nonconforming, then conforming (another analysis)")


def test_another_model_and_another_rule_are_told_apart(say: Say) -> None:
    model = with_entry("expectations", RATIO, value=0.8)
    as_if(**model, **with_entry("verdicts", AGE, outcome="agrees"))
    age, ratio = say()[1].splitlines()[2:4]
    assert age == f"{AGE}: cannot tell, then agrees (another rule)"
    assert ratio == f"{RATIO}: expected 0.7566 +- 0.0067, then 0.8000 +- 0.0067 (-13 u) (another model)"


def test_a_quantity_that_had_no_number_is_told(say: Say) -> None:
    content = content_of(read(Path("run")))
    left = [entry for entry in content["measurements"] if entry["name"] != RATIO]
    none = {"name": RATIO, "outcome": "cannot tell", "reason": "the fit failed"}
    verdicts = with_entry("verdicts", RATIO, outcome="cannot tell")
    as_if(measurements=left, unmeasured=[*content["unmeasured"], none], **verdicts)
    line = say()[1].splitlines()[2]
    assert line == f"{RATIO}: measured 0.3834 +- 0.0091, then nothing; differs, then cannot tell (another analysis)"


def test_another_cause_is_told(say: Say) -> None:
    as_if(causes=[], diagnosis={"known": False, "words": "cause not known", "differs": [LOOP], "parted_by": []})
    line = say()[1].splitlines()[2]
    assert line == ("cause: gate: the firmware's loop gain is 0.5 times what the rig file says; then: cause not known")


def test_as_json(say: Say) -> None:
    as_if(**with_entry("verdicts", AGE, outcome="agrees"))
    code, out, _ = say("--json")
    found = json.loads(out)
    assert (code, found["exit_code"], found["report"], found["finished"]) == (1, 1, str(PAGE), True)
    assert set(found["rotorgate"]) == set(found["diagnosis"]) == {"then", "now"}
    assert found["cause_changed"] is False
    (change,) = found["changes"]
    assert (change["name"], change["required"], change["by"]) == (AGE, False, ["rule"])
    assert (change["then"]["outcome"], change["now"]["outcome"]) == ("agrees", "cannot tell")
    assert change["now"]["value"] == change["then"]["value"] == pytest.approx(86e-6)


def test_quiet_leaves_out_what_it_is(say: Say) -> None:
    assert [line.split()[0] for line in say("--quiet")[1].splitlines()] == ["sluice", "nothing", "report"]


def test_a_check_that_the_board_was_stopped_in_stays_stopped(say: Say) -> None:
    """Its observations are a part of what the check takes: nothing is made of them, and the stop speaks still."""
    content = content_of(read(Path("run")))
    names = [name for name in content["planned"] if name.startswith("gate.stiffness.")]
    stop = {
        **VERDICT,
        "name": "gate.stiffness.limits",
        "outcome": "nonconforming",
        "kind": "stop",
        "reason": "too fast",
    }
    why = "because the board was stopped: too fast"
    as_if(
        measurements=[entry for entry in content["measurements"] if entry["name"] not in names],
        expectations=[entry for entry in content["expectations"] if entry["name"] not in names],
        unmeasured=[*content["unmeasured"], *({"name": n, "outcome": "not run", "reason": why} for n in names)],
        verdicts=[
            *(entry for entry in content["verdicts"] if entry["name"] not in names),
            stop,
            *({**VERDICT, "name": name, "outcome": "not run", "reason": why} for name in names),
        ],
        causes=[],
        diagnosis={"known": False, "words": "", "differs": [], "parted_by": []},
    )
    code, out, _ = say()
    assert code == 1
    assert "1 nonconforming" in out.splitlines()[0]
    assert not any(line.startswith("gate.stiffness") for line in out.splitlines())
    assert "STOPPED in gate stiffness: too fast." in PAGE.read_text(encoding="utf-8")


def test_a_run_that_was_killed_never_agrees_and_what_it_had_not_judged_stays_so(say: Say) -> None:
    """With nothing asked of what cannot be told here, a whole run of the first check ends with 0."""
    content = content_of(read(Path("run")))
    text = content["rig"]["text"].replace('"commutation.sensor_age" = { absolute = 1.0e-6 }', "")
    assert text != content["rig"]["text"]
    rig = {**content["rig"], "text": text}
    first = [name for name in content["planned"] if name.startswith("gate.commutation.")]
    as_if(planned=first, required=[], gauge=None, rig=rig)
    assert say()[0] == 0
    as_if(finished=False)
    assert say()[0] == 2
    as_if(
        planned=content["planned"], measurements=[entry for entry in content["measurements"] if entry["name"] in first]
    )
    code, out, _ = say()
    assert code == 2
    assert "10 not run" in out.splitlines()[0]
    assert out.splitlines()[-1] == f"report {PAGE} (of an unfinished run)"
    assert "UNFINISHED" in PAGE.read_text(encoding="utf-8")


def test_what_is_no_record_is_said_in_one_line(say: Say) -> None:
    Path("run/observations/gate.commutation.vectors.npy").unlink()
    code, out, err = say()
    assert (code, out) == (4, "")
    assert err.startswith(
        "rotorgate: run/observations/gate.commutation.vectors.npy: cannot read the observation: No such"
    )
    assert not PAGE.exists()
