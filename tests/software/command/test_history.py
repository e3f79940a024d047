"""`rotorgate history`: where the page goes, and every mistake in one line."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from harness.command import main as cli
from harness.store import Store
from tests.software.history.stores import decided, filled, run
from tests.software.store.conftest import cluster, schema  # noqa: F401 - a fixture


@pytest.fixture
def say(monkeypatch, tmp_path, capsys):
    """Run `rotorgate history ...` in a folder of its own: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        code = cli.main(["history", *words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_the_page_lies_beside_the_store_and_is_written_again(say):
    filled(Path("runs")).close()
    for _ in range(2):
        code, out, err = say()
        assert (code, err) == (0, "")
        assert out.splitlines() == [
            "history runs/history.html (SIMULATED)",
            "rig handwheel: 1 run, 1 firmware version",
            "rig sluice: 10 runs, 2 firmware versions",
        ]
    page = Path("runs/history.html").read_text(encoding="utf-8")
    assert 'href="a0/report.html"' in page
    assert say("--rig", "sluice", "--out", "other.html")[0] == 0
    assert "handwheel" not in Path("other.html").read_text(encoding="utf-8")


def test_one_object_for_programs_and_the_page_all_the_same(say):
    filled(Path("runs")).close()
    code, out, err = say("--json", "--rig", "sluice")
    said = json.loads(out)
    assert (code, err, said["exit_code"], said["page"]) == (0, "", 0, "runs/history.html")
    assert said["rigs"][0]["runs"] == 10
    assert Path("runs/history.html").exists()


def test_a_damaged_decision_is_one_line_and_the_page_is_written(say):
    with filled(Path("runs")) as store:
        decided(store)
    with sqlite3.connect("runs/store.sqlite") as connection:
        connection.execute("DROP TRIGGER decision_no_update")
        connection.execute("UPDATE decision SET json = 'x'")
    code, out, _ = say("--rig", "sluice")
    assert code == 0
    (line,) = [line for line in out.splitlines() if "decision" in line]
    assert line.startswith(
        "decisions of the release gate are left out: runs/store.sqlite: damaged, or made by somebody else: "
    )
    assert Path("runs/history.html").exists()


@pytest.mark.parametrize(
    ("make", "words", "code", "line"),
    [
        ("nothing", (), 4, "runs/store.sqlite: no store here yet; `rotorgate qualify` and `rotorgate keep` make it"),
        ("empty", (), 4, "runs/store.sqlite: no runs in it yet; `rotorgate qualify` and `rotorgate keep` put them in"),
        ("foreign", (), 4, "runs/store.sqlite: not a store: holds other tables (people); name another place"),
        ("text", (), 4, "runs/store.sqlite: not a store: expected a file that rotorgate made"),
        ("newer", (), 4, "runs/store.sqlite: a store of version 99, made by rotorgate 9.0; this one reads up to "),
        ("runs", ("--rig", "sluce"), 4, "runs/store.sqlite: no runs of rig sluce; did you mean sluice?"),
        ("runs", ("--rig", "zzz"), 4, "runs/store.sqlite: no runs of rig zzz; it has handwheel, sluice"),
        ("runs", ("--real",), 4, "runs/store.sqlite: no real runs, only 11 simulated ones"),
        (
            "both",
            (),
            4,
            "runs/store.sqlite: 11 simulated and 1 real runs: they never stand on one page; give --simulated ",
        ),
        ("both", ("--rig", "sluice"), 4, "runs/store.sqlite: 10 simulated and 1 real runs of rig sluice: they never "),
        ("runs", ("--out", "runs"), 4, "runs: expected a file, found a folder; choose another file with --out"),
        ("runs", ("--out", "a/b.html"), 4, "a/b.html: cannot write the page: no such folder; choose another file"),
        ("runs", ("--out", "runs/store.sqlite"), 4, "runs/store.sqlite: holds something else than a page, and is left"),
        ("runs", ("--out", "/dev/full"), 4, "/dev/full: "),
        ("runs", ("--simulated", "--real"), 4, "argument --real: not allowed with argument --simulated"),
    ],
)
def test_a_mistake_is_one_line(say, make, words, code, line):
    file = Path("runs/store.sqlite")
    Path("runs").mkdir()
    if make == "empty":
        Store.open(file, make=True).close()
    if make in ("runs", "both", "newer"):
        with filled(Path("runs")) as store:
            if make == "both":
                store.keep(run(Path("real"), 1, simulated=False))
    if make == "newer":
        with sqlite3.connect(file) as connection:
            connection.execute("INSERT INTO store VALUES (99, 'rotorgate store', '2030-01-01', '9.0')")
    if make == "foreign":
        with sqlite3.connect(file) as connection:
            connection.execute("CREATE TABLE people (name TEXT)")
    if make == "text":
        file.write_text("nothing of ours " * 100, encoding="utf-8")
    before = file.read_bytes() if file.exists() else b""
    found, out, err = say(*words)
    assert (found, out) == (code, "")
    assert err.startswith(f"rotorgate: {line}")
    assert err.count("\n") == 1
    assert not Path("runs/history.html").exists()
    assert (file.read_bytes() if file.exists() else b"") == before


def test_each_kind_has_its_page(say):
    with filled(Path("runs")) as store:
        store.keep(run(Path("real"), 1, value=0.9, simulated=False))
    assert say("--simulated")[0] == 0
    assert "0.900" not in Path("runs/history.html").read_text(encoding="utf-8")
    assert say("--real")[1].splitlines() == ["history runs/history.html", "rig sluice: 1 run, 1 firmware version"]
    page = Path("runs/history.html").read_text(encoding="utf-8")
    assert "0.900" in page
    assert "SIMULATED" not in page


def test_of_a_database_the_page_comes_into_the_current_folder(say, request):
    url = schema(request.getfixturevalue("cluster"))
    with Store.open(url, make=True) as store:
        folder = run(Path("runs/a0"), 0)
        store.keep(folder)
    assert say("--store", url)[0] == 0
    assert 'href="runs/a0/report.html"' in Path("history.html").read_text(encoding="utf-8")


def test_where_no_store_is_that_is_said_and_not_that_its_folder_is_missing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.main(["history"]) != 0
    assert "no store here yet" in capsys.readouterr().err
