"""`rotorgate study gauge`, and a qualification that is judged by what it found."""

from __future__ import annotations

import json
import shutil
import sqlite3
import zlib
from pathlib import Path

import pytest

from harness.base.words import OLDER_WORD
from harness.nouns.results import Gauge
from harness.record import read
from harness.record.entries import GaugeEntry
from harness.rigfile import load
from harness.store import Store
from tests.software.command.test_baseline import saved
from tests.software.record.contents import content_of, edited
from tests.software.report.test_page import outline
from tests.software.run.fakes import SLUICE, Bench, FakeChecks, FakeRig
from tests.software.study.runs import ONLY_RISE, RISE, runs

COARSE = (0.2, 3.0, 0.05, 0.1)


@pytest.fixture
def say(monkeypatch, tmp_path, capsys):
    """Run `rotorgate ...` in a folder of its own: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str, bench: Bench | None = None) -> tuple[int, str, str]:
        code = (bench or Bench()).main(words)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def folders(**options: object) -> list[str]:
    options = {"days": 1, "boards": 3, **options}
    return [saved(f"runs/{k}", run) for k, run in enumerate(runs(**options), 1)]  # type: ignore[arg-type]


def test_folders_are_studied_and_kept(say):
    code, out, err = say("study", "gauge", *folders())
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "sluice, gauge: 1 fit"
    assert lines[1] == "3 boards x 3 benches x 1 day x 2 runs"
    assert lines[2].split() == [
        "quantity",
        "GRR",
        "repeats",
        "between",
        "boards",
        "ndc",
        "of",
        "u",
        "of",
        "tol.",
        "unit",
        "gauge",
    ]
    mark, name, *numbers, ndc, over, share, percent, unit, word = lines[3].split()
    assert (mark, name, percent, unit, word) == ("ok", RISE, "%", "K", "fit")
    grr, repeats, between, _ = map(float, numbers)
    assert grr == pytest.approx((repeats**2 + between**2) ** 0.5, abs=0.002)
    assert int(ndc) >= 2
    assert float(over) > 0.0
    assert 0 < int(share) < 30
    assert "one day: reproducibility between days was not studied" in lines
    assert lines[-1].startswith("study 1 in store runs/store.sqlite, of runs 1 to 18")
    with Store.open() as store:
        (kept,) = store.studies.all("gauge", "sluice", simulated=False)
        assert kept.content["runs"] == list(range(1, 19)) == sorted(run.id for run in store.runs())
        assert kept.content["quantities"][0]["name"] == RISE


def test_a_coarse_gauge_ends_with_2_and_says_why(say):
    code, out, _ = say("study", "gauge", *folders(s=COARSE))
    assert code == 2
    assert out.splitlines()[0] == "sluice, gauge: 1 too coarse"
    words = " ".join(out.split())
    assert "too coarse: takes" in words
    assert "largest part: reproducibility between benches; what would help: calibrate the benches" in words


def test_the_result_as_json(say):
    code, out, err = say("study", "gauge", "--json", *folders(s=COARSE))
    found = json.loads(out)
    assert (code, err, found["exit_code"], found["study"], found["store"]) == (2, "", 2, 1, "runs/store.sqlite")
    (entry,) = found["quantities"]
    assert (entry["name"], entry["word"]) == (RISE, "too coarse")
    assert {"ev", "av", "interaction", "grr", "pv", "ndc", "share", "grr_limits", "lines"} <= entry.keys()


def test_quiet_is_the_first_and_the_last_line(say):
    out = say("study", "gauge", "--quiet", *folders())[1].splitlines()
    assert len(out) == 2
    assert out[0] == "sluice, gauge: 1 fit"


def test_numbers_of_runs_and_labels(say):
    named = folders(benches=1, days=1, repeats=4)
    assert say("keep", *named)[0] == 0
    boards = [read(Path(folder)).board.unique_id for folder in named]
    seen: dict[str, int] = {}
    days = []
    for board in boards:
        seen[board] = seen.get(board, 0) + 1
        days.append("mon" if seen[board] < 3 else "tue")
    numbers = [str(k) for k in range(1, len(named) + 1)]
    code, out, _ = say("study", "gauge", *numbers, "--day", ",".join(days))
    assert code == 0
    assert out.splitlines()[1] == "3 boards x 1 bench x 2 days x 2 runs"
    assert say("study", "gauge", *numbers, "--bench", "a,b")[2] == (
        "rotorgate: --bench: expected 12 labels, one a run, found 2\n"
    )


def test_a_lot_is_all_its_finished_runs(say):
    for k, run in enumerate(runs(days=1, boards=3), 1):
        saved(f"runs/{k}", edited(run, lot="L7"))
        assert say("keep", f"runs/{k}")[0] == 0
    saved("runs/killed", edited(read(Path("runs/1")), seed=99, finished=False))
    assert say("keep", "runs/killed")[0] == 0
    code, out, _ = say("study", "gauge", "--lot", "L7")
    assert code == 0
    assert "3 boards x 3 benches x 1 day x 2 runs" in out
    assert "left out: run 19, which did not come to its end" in out
    assert say("study", "gauge", "--lot", "L8")[2] == "rotorgate: runs/store.sqlite: no finished run of lot L8\n"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((), "study: expected RUNs or --lot NAME, found neither"),
        (("runs/1", "--lot", "L7"), "study: expected RUNs or --lot NAME, found both"),
        (("nowhere",), "nowhere: no record here; expected a folder that holds record.json"),
        (("7",), "runs/store.sqlite: no store here"),
    ],
)
def test_wrong_use_is_4_in_one_line_and_leaves_no_trace(say, words, line):
    code, out, err = say("study", "gauge", *words)
    assert (code, out) == (4, "")
    assert err.startswith(f"rotorgate: {line}")
    assert err.count("\n") == 1
    assert not Path("runs").exists()
    assert say("study")[0] == say("study", "other")[0] == 4


def test_an_uneven_design_is_refused_and_nothing_is_kept(say):
    named = folders()
    code, _, err = say("study", "gauge", *named[:-1])
    assert code == 4
    assert err.startswith("rotorgate: not crossed evenly: board b")
    assert "has 1 run on bench supply Maker DC supply SN" in err
    assert not Path("runs/store.sqlite").exists()


def test_the_page_shows_the_analysis_and_obeys_nobody(say):
    hostile = "</title><script>alert(1)</script>{{7*7}}"
    named = []
    for k, run in enumerate(runs(s=COARSE, days=1, boards=3), 1):
        board = {**content_of(run)["board"], "name": hostile + run.board.unique_id}
        named.append(saved(f"runs/{k}", edited(run, board=board)))
    code, out, _ = say("study", "gauge", *named, "--out", "gauge.html")
    assert (code, out.splitlines()[-1]) == (2, "page gauge.html")
    text = Path("gauge.html").read_text(encoding="utf-8")
    page = outline(text)
    words = " ".join(" ".join(page.words).split())
    assert "Not every requirement can be told on this bench" in words
    for part in ("reproducibility between benches", "repeatability", "Sum of squares", "at most 60 K", "too coarse"):
        assert part in words
    assert "<script" not in text
    assert "{{7*7}}b0" in words
    assert not any(tag in ("script", "link", "img") for tag, _ in page.tags)
    code, _, err = say("study", "gauge", *named, "--out", "no/such/place.html")
    assert (code, "cannot write" in err, "the study is kept" in err) == (4, True, True)


# --- a qualification judged by it ---------------------------------------------------------------


LIMITED = '[requirements]\n"step.delay" = { max = 5.0e-3 }\n'
DELAY = "leaf.step.delay"


def put_study(
    place: str, *, grr: float, simulated: bool = True, rig: str = "sluice", binds: bool = True, key: str = "binding"
) -> None:
    entry = {"name": DELAY, "grr": grr, "mean": 1e-3, "largest": "repeatability; what would help: x", key: binds}
    Path(place).parent.mkdir(parents=True, exist_ok=True)
    with Store.open(place, make=True) as store:
        store.studies.add("gauge", rig, simulated, {"quantities": [entry], "instruments": []})


@pytest.fixture
def bench(say, monkeypatch, tmp_path):
    """A rig of fakes with a requirement on the delay."""
    text = SLUICE.read_text(encoding="utf-8").partition("[requirements]")
    detect = text[2].partition("[detect]")
    (tmp_path / "rig.toml").write_text(text[0] + LIMITED + detect[1] + detect[2], encoding="utf-8")

    def qualify(*words: str, **options: object) -> tuple[int, dict[str, object]]:
        fakes = Bench()
        fakes(rig=FakeRig(spec=load(tmp_path / "rig.toml")), **options)  # type: ignore[arg-type]
        code, out, _ = say("qualify", "rig.toml", "--json", *words, bench=fakes)
        found = json.loads(out)
        by_outcome = {verdict["outcome"]: verdict for verdict in found["verdicts"] if verdict["name"] == DELAY}
        return code, by_outcome | {"found": found}

    return qualify


def test_a_requirement_cannot_be_passed_on_a_gauge_too_coarse_for_it(bench):
    code, verdicts = bench("--out", "runs/a")
    assert (code, "conforming" in verdicts) == (0, True)
    put_study("runs/store.sqlite", grr=1e-3)
    code, verdicts = bench("--out", "runs/b")
    assert code == 2
    reason = verdicts["undecided"]["reason"]
    assert reason.startswith("the gauge takes 75 % of the tolerance (study 1 of 20")
    assert reason.endswith("at most 30 %): largest part: repeatability; what would help: x")
    assert read(Path("runs/b")).gauges[DELAY].grr == 1e-3
    page = Path("runs/b/report.html").read_text(encoding="utf-8")
    assert "<td>1 of 20" in page
    assert '<td class="number">75 %</td>' in page
    assert read(Path("runs/a")).gauge is None
    assert "By gauge studies" not in Path("runs/a/report.html").read_text(encoding="utf-8")


def test_a_qualification_is_judged_by_what_the_command_has_kept(say, tmp_path):
    """From `study gauge` to a verdict: nobody in between writes down what a study says."""
    assert say("study", "gauge", *folders(s=COARSE))[0] == 2
    rig = tmp_path / "rig.toml"
    rig.write_text(ONLY_RISE, encoding="utf-8")
    fakes = Bench()
    fakes(rig=FakeRig(spec=load(rig), simulated=False))
    code, _, _ = say("qualify", "rig.toml", "--json", "--out", "runs/judged", bench=fakes)
    gauge = read(Path("runs/judged")).gauge
    assert gauge.remarks == ()
    assert [(quantity.name, quantity.study) for quantity in gauge.quantities] == [(RISE, 1)]
    assert code == 2


def test_a_study_of_an_earlier_version_is_applied(bench):
    """There a quantity against whose gauge a verdict is held was one that it told of."""
    put_study("runs/store.sqlite", grr=1e-3, key="told")
    assert bench("--out", "runs/a")[0] == 2
    assert read(Path("runs/a")).gauges[DELAY].study == 1


def test_a_newer_study_takes_the_place_of_an_older_one(bench):
    put_study("runs/store.sqlite", grr=1e-3)
    put_study("runs/store.sqlite", grr=1e-5)
    code, verdicts = bench("--out", "runs/a")
    assert (code, "conforming" in verdicts) == (0, True)
    assert [gauge.study for gauge in read(Path("runs/a")).gauges.values()] == [2]
    put_study("runs/store.sqlite", grr=1e-3, binds=False)
    assert bench("--out", "runs/b")[0] == 0, "too few runs to tell: what an earlier one found stands"


def test_nonconforming_stays_what_it_is(bench):
    put_study("runs/store.sqlite", grr=1e-3)
    code, verdicts = bench("--out", "runs/a", checks=FakeChecks(changes={DELAY: 9e-3}))
    assert code == 1
    assert "nonconforming" in verdicts


@pytest.mark.parametrize("other", [{"simulated": False}, {"rig": "other"}])
def test_a_study_of_another_rig_or_of_a_real_bench_says_nothing(bench, other):
    put_study("runs/store.sqlite", grr=1e-3, **other)
    assert bench("--out", "runs/a")[0] == 0


def test_the_store_is_the_one_that_the_run_is_kept_in_and_none_is_made(bench):
    put_study("lab/all.sqlite", grr=1e-3)
    assert bench("--out", "runs/a")[0] == 0
    assert bench("--out", "runs/b", "--store", "lab/all.sqlite")[0] == 2
    shutil.rmtree("runs")
    assert bench("--out", "runs/c", "--no-store")[0] == 0
    assert not Path("runs/store.sqlite").exists()
    put_study("runs/store.sqlite", grr=1e-3)
    assert bench("--out", "runs/d", "--no-store")[0] == 2


def test_a_store_that_cannot_be_read_is_told_and_changes_no_verdict(bench):
    Path("notes").write_text("no database at all, and long enough to be seen as such\n" * 20)
    code, verdicts = bench("--out", "runs/a", "--store", "notes")
    assert (code, "conforming" in verdicts) == (0, True)
    (remark,) = read(Path("runs/a")).gauge.remarks
    assert remark.startswith("no study of the gauge was read: notes: not a store")
    assert remark in verdicts["found"]["gauge"]["remarks"]


def test_instruments_that_the_study_did_not_have_are_said():
    from harness.run.gauges import StudiesInForce, record_entry

    entry = GaugeEntry(store="s", quantities=(Gauge(name=DELAY, grr=1e-3, mean=1e-3),), remarks=())
    found = StudiesInForce(entry=entry, instruments={3: ["Maker DC supply SN1"]})
    kept = record_entry(
        found, {"supply": "Maker,DC supply,SN1,1.0", "meter": "Maker,Meter,SN9,1.0", "other": "x,y,0,1"}
    )
    assert kept.remarks == ("study 3 was made without instrument meter (Maker Meter SN9), and is applied all the same",)
    assert kept.quantities == entry.quantities
    assert record_entry(found, {"supply": "Maker,DC supply,SN1,1.0"}) == entry
    assert record_entry(None, {}) is None


def put_raw(data: bytes) -> int | None:
    """Keep a study as another program might; its number."""
    with sqlite3.connect("runs/store.sqlite") as connection:
        columns = f"made_utc, kind, rig, {OLDER_WORD}, json"
        return connection.execute(
            f"INSERT INTO study ({columns}) VALUES ('2026', 'gauge', 'sluice', 1, ?)", (data,)
        ).lastrowid


def test_what_a_study_told_nothing_of_is_no_gauge_and_a_damaged_one_is_told(bench):
    with Store.open("runs/store.sqlite", make=True) as store:
        entry = {"name": DELAY, "grr": None, "mean": 0.0, "largest": "", "binding": False}
        store.studies.add("gauge", "sluice", True, {"quantities": [entry], "instruments": []})
    assert bench("--out", "runs/a")[0] == 0
    assert read(Path("runs/a")).gauge.quantities == ()
    for content in (
        {},
        {"quantities": [{"name": 1}], "instruments": []},
        {"quantities": 3},
        {"quantities": [entry | {"binding": True}]},
        {"quantities": [entry | {"binding": True, "grr": -1.0}], "instruments": []},
        {"quantities": [entry | {"binding": True, "grr": 1e999 - 1e999}], "instruments": []},
    ):
        number = put_raw(zlib.compress(json.dumps(content).encode()))  # JSON knows no NaN, Python's reader does
        assert bench("--out", f"runs/{number}")[0] == 0
        remarks = read(Path(f"runs/{number}")).gauge.remarks
        assert remarks[-1] == f"study {number} of runs/store.sqlite is damaged, and is not applied"
    put_study("runs/store.sqlite", grr=1e-3)
    put_raw(b"\0")
    assert bench("--out", "runs/last")[0] == 2, "what else is there is applied"


def test_the_demo_is_the_same_whatever_somebody_has_studied(say, monkeypatch):
    entry = {"name": "leaf.commutation.step_spread", "grr": 9.0, "mean": 0.0, "largest": "", "binding": True}
    Path("runs").mkdir()
    with Store.open("runs/store.sqlite", make=True) as store:
        store.studies.add("gauge", "sluice", True, {"quantities": [entry], "instruments": []})
    assert say("demo", "--out", "runs/demo")[0] == 0
    assert read(Path("runs/demo")).gauge is None


def test_the_demos_rig_file_reads_with_one_requirement():
    assert ONLY_RISE.count("[requirements]") == 1
