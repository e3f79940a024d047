"""A qualification's run goes into the store; trouble of the store changes neither verdict nor exit code."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from harness.base.errors import BenchError
from harness.command import main as cli
from harness.run.means import Means
from harness.store import Store
from tests.software.run.fakes import SLUICE, FakeChecks
from tests.software.store.records import written


def test_a_qualification_is_kept_beside_its_folder(bench, capsys):
    bench()
    for k in range(2):
        assert bench.main(["qualify", str(SLUICE), "--out", f"runs/{k}"]) == 0
        assert f"\nreport runs/{k}/report.html\nstore runs/store.sqlite, run {k + 1}\n" in capsys.readouterr().out
    with Store.open() as store:
        assert [run.exit_code for run in store.runs(rig="sluice")] == [0, 0]
        assert store.record(2).finished


def test_a_store_of_ones_choice_and_none(bench, capsys, tmp_path):
    bench(checks=FakeChecks(changes={"leaf.step.delay": 5e-3}))
    place = tmp_path / "elsewhere" / "all.sqlite"
    assert bench.main(["qualify", str(SLUICE), "--out", "a", "--store", str(place), "--json"]) == 1
    kept = json.loads(capsys.readouterr().out)["kept"]
    with Store.open(place) as store:
        assert (kept["store"], kept["run"], kept["uid"]) == (str(place), 1, store.run(1).uid)
        assert store.run(1).exit_code == 1
    assert bench.main(["qualify", str(SLUICE), "--out", "b", "--no-store", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["kept"] is None
    assert not Path("store.sqlite").exists()


@pytest.mark.parametrize(("changes", "code"), [({}, 0), ({"leaf.step.delay": 5e-3}, 1)])
def test_a_store_that_cannot_be_written_changes_nothing_else(bench, capsys, changes, code):
    bench(checks=FakeChecks(changes=changes))
    Path("notes").write_text("no database at all, and long enough to be seen as such\n" * 20)
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a", "--store", "notes"]) == code
    last = capsys.readouterr().out.splitlines()[-1]
    assert last == (
        "not in the store: notes: not a store: expected a file that rotorgate made; "
        "the record stands, `rotorgate keep runs/a --store notes` adds it"
    )
    assert bench.main(["keep", "runs/a"]) == 0
    assert capsys.readouterr().out == "runs/a: store runs/store.sqlite, run 1\n"


def test_a_defect_in_keeping_changes_nothing_else(bench, capsys, monkeypatch):
    bench()

    def broken(self, folder):
        raise ZeroDivisionError("zero")

    monkeypatch.setattr(Store, "keep", broken)
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a"]) == 0
    assert "not in the store: a defect of rotorgate, please report it with" in capsys.readouterr().out


def test_ctrl_c_while_keeping_leaves_the_verdict(bench, capsys, monkeypatch):
    bench()

    def interrupted(self, folder):
        raise KeyboardInterrupt

    monkeypatch.setattr(Store, "keep", interrupted)
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a"]) == 0
    assert "not in the store: interrupted; the record stands" in capsys.readouterr().out


def test_a_folder_where_the_store_would_be(bench, capsys):
    bench()
    Path("runs/store.sqlite").mkdir(parents=True)
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a"]) == 0
    assert "not in the store: store runs/store.sqlite: expected a file, found a folder" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["qualify", str(SLUICE), "--store", "mysql://lab/x"], "store: expected the path of a file, or postgresql"),
        (["qualify", str(SLUICE), "--store", "a", "--no-store"], "not allowed with argument --store"),
        (["keep"], "the following arguments are required: DIR"),
        (["fetch", "1", "--out", "a"], "runs/store.sqlite: no store here yet"),
        (["fetch", "x", "--out", "a"], "expected a whole number from 0, found 'x'"),
        (["fetch", "1"], "the following arguments are required: --out"),
        (["keep", "absent"], "absent: no record here; expected a folder that holds record.json"),
    ],
)
def test_wrong_use_is_said_before_anything_is_opened(capsys, tmp_path, monkeypatch, words, message):
    monkeypatch.chdir(tmp_path)
    assert cli.main(words) == 4
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_keep_takes_what_is_whole_and_names_what_is_not(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    written(Path("runs/a"))
    written(Path("runs/b"), seed=2)
    Path("runs/c").mkdir()
    assert cli.main(["keep", "runs/a", "runs/c", "runs/b", "runs/a"]) == 4
    captured = capsys.readouterr()
    assert captured.out.splitlines() == [
        "runs/a: store runs/store.sqlite, run 1",
        "runs/b: store runs/store.sqlite, run 2",
        "runs/a: store runs/store.sqlite, run 1",
    ]
    assert captured.err == "rotorgate: runs/c: no record here; expected a folder that holds record.json\n"
    assert cli.main(["keep", "--json", "runs/b"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)["kept"]
    assert (entry["record"], entry["store"], entry["run"]) == ("runs/b", "runs/store.sqlite", 2)


def test_fetch_writes_the_folder_again_and_never_over_another(bench, capsys):
    bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "runs/a"]) == 0
    before = {path.relative_to("runs/a"): path.read_bytes() for path in Path("runs/a").rglob("*") if path.is_file()}
    del before[Path("report.html")]
    before = {path: data for path, data in before.items() if path.suffix in (".json", ".npy")}
    shutil.rmtree("runs/a")
    capsys.readouterr()
    assert bench.main(["fetch", "1", "--out", "again"]) == 0
    assert capsys.readouterr().out == "record again\n"
    assert {path.relative_to("again"): path.read_bytes() for path in Path("again").rglob("*.*")} == before
    assert bench.main(["report", "again"]) == 0
    assert bench.main(["keep", "again", "--store", "runs/store.sqlite", "--json"]) == 0
    assert '"run": 1,' in capsys.readouterr().out
    assert bench.main(["fetch", "1", "--out", "again"]) == 4
    assert bench.main(["fetch", "2", "--out", "new"]) == 4
    assert capsys.readouterr().err.splitlines() == [
        "rotorgate: again: holds a record already; choose another folder with --out",
        "rotorgate: runs/store.sqlite: no run 2",
    ]


def test_fetch_with_a_raw_file_missing_leaves_no_record(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    written(Path("runs/a"))
    assert cli.main(["keep", "runs/a"]) == 0
    next(Path("runs/store.sqlite.raw").rglob("*.npy")).unlink()
    assert cli.main(["fetch", "1", "--out", "again"]) == 4
    assert "missing: observation leaf.stiffness.n" in capsys.readouterr().err
    assert not Path("again").exists()


def test_only_who_opens_a_store_loads_the_database_library():
    program = (
        "import sys, harness.store; from harness import plugin; from harness.command import main, qualify\n"
        "main.build_parser()\n"
        "sys.exit('sqlalchemy' in sys.modules or 'psycopg' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


@pytest.mark.parametrize("store", ["postgresql://lab/benches", "runs.sqlite", ""])
def test_who_shares_a_database_shares_benches(monkeypatch, tmp_path, store):
    """The rig is opened with locks that hold among all who name that database; a file is one machine's."""
    given = {}

    def open_rig(spec, **options):
        given.update(options)
        raise BenchError("far enough")

    monkeypatch.chdir(tmp_path)
    means = Means(open_rig=open_rig)
    assert cli.main(["qualify", str(SLUICE), *(("--store", store) if store else ())], means) == 3
    remote = given["locks"]._remote
    assert (remote is not None) == store.startswith("postgresql")
    assert remote is None or remote.address.shown == store
