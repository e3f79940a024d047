"""`rotorgate baseline`: who accepted what and why, what differs from it, and every mistake in one line."""

from __future__ import annotations

import io
import json
import re
import shutil
import sqlite3
from pathlib import Path

import pytest

from harness.command import main as cli
from harness.nouns.quantity import exact
from harness.record import Record
from harness.store import Store
from tests.software.compare.records import quantity, record
from tests.software.record import contents
from tests.software.record.contents import edited

STIFFNESS, RATIO, SPREAD = "leaf.stiffness.open_loop", "leaf.stiffness.ratio", "leaf.commutation.step_spread"
SENSE = "leaf.commutation.direction"
ACCEPT = ("--by", "A. Person", "--why", "first units")
LEVELS = (0.648, 0.652, 0.651, 0.649, 0.653, 0.647, 0.650, 0.650)


def saved(folder: str, run: Record, exit_code: int | None = 0) -> str:
    """The record on disk, with what a run adds to it and the comparison does not read."""
    return str(contents.saved(edited(run, exit_code=exit_code), Path(folder)))


def values(stiffness: float, **other: object) -> dict[str, object]:
    """Stiffness and its ratio with a margin, a spread without one, a sense; another one in place of any."""
    return {
        STIFFNESS: quantity(stiffness), RATIO: quantity(0.75 + stiffness / 100.0, "1"),
        SPREAD: quantity(stiffness * 1e-3, "rad", 1e-5), SENSE: exact(1.0, "1"), **other,
    }  # fmt: skip


def units(count: int, **options: object) -> list[str]:
    return [saved(f"runs/{k}", record(values(LEVELS[k - 1]), k, **options)) for k in range(1, count + 1)]  # type: ignore[arg-type]


@pytest.fixture
def say(monkeypatch, tmp_path, capsys):
    """Run `rotorgate baseline ...` in a folder of its own: exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        code = cli.main(["baseline", *words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


@pytest.fixture
def spring(say):
    """Six records accepted."""
    assert say("accept", "spring", *units(6), *ACCEPT)[0] == 0
    return say


def test_folders_are_kept_and_accepted(say):
    code, out, err = say("accept", "spring", *units(6), *ACCEPT)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "baseline spring, revision 1, in force: 6 records, 6 mountings, rig sluice"
    assert lines[1] == "store runs/store.sqlite, runs 1, 2, 3, 4, 5, 6"
    assert lines[2].startswith("separate mountings are self-declared (each of 6 records counts as one)")
    assert lines[3].startswith("8 to 10 are recommended")
    assert "one of 4 quantities is called different beyond 6 with 6, 5 with 8, 4 with 10" in lines[3]
    with Store.open() as store:
        assert len(store.runs()) == 6
        assert store.baselines.get("spring").by_whom == "A. Person"


def test_few_mountings_are_said_and_enough_are_not(say):
    folders = units(8)
    out = say("accept", "a", *folders[:6], "--mounting", "1,1,2,2,3,4", *ACCEPT)[1]
    assert "6 records, 4 mountings" in out
    assert "self-declared (4 mountings, as declared with --mounting)" in out
    few = "fewer than 5 separate mountings (4): comparisons with this baseline can only come out undecided"
    assert few in out.splitlines()
    out = say("accept", "b", *folders, *ACCEPT)[1]
    assert "fewer" not in out
    assert "recommended" not in out
    assert "self-declared" in out
    code, out, _ = say("show", "a", folders[7])
    assert code == 2
    assert "against baseline a, revision 1: 4 undecided" in out
    assert "its baseline has 4 of the 5 mountings that its scatter takes" in " ".join(out.split())


def test_a_second_acceptance_is_a_new_revision_and_the_old_one_can_still_be_asked(spring):
    code, out, _ = spring("accept", "spring", "1", "2", "3", "4", "5", "--by", "B", "--why", "without the sixth")
    assert (code, out.splitlines()[0][:30]) == (0, "baseline spring, revision 2, i")
    assert "accepted" in spring("show", "spring")[1].splitlines()[1]
    assert "by B: without the sixth" in spring("show", "spring")[1]
    old = spring("show", "spring", "--revision", "1")[1]
    assert "revision 1, superseded: 6 records" in old
    assert "by A. Person: first units" in old
    lines = [line.split() for line in spring("list")[1].splitlines()]
    assert lines[0] == ["baseline", "revision", "records", "mountings", "rig", "by", "when", "state"]
    assert lines[1][:6] == ["spring", "1", "6", "6", "sluice", "A."]
    assert lines[1][-1] == "superseded"
    assert lines[2][:6] == ["spring", "2", "5", "5", "sluice", "B"]
    assert lines[2][-2:] == ["in", "force"]


def test_levels_with_scatter_uncertainty_and_margin(spring):
    code, out, _ = spring("show", "spring")
    assert code == 0
    rows = {line.split()[1]: line.split() for line in out.splitlines() if line.startswith("ok")}
    name, level, half, scatter, margin, records, mountings = rows[STIFFNESS][1:8]
    assert (name, records, mountings) == (STIFFNESS, "6", "6")
    assert (float(level), float(scatter)) == (pytest.approx(0.65, abs=1e-3), pytest.approx(0.0024, abs=2e-4))
    assert 0.002 < float(half) < 0.004
    assert float(margin) == pytest.approx(0.15 * 0.65, abs=1e-3)  # [detect] of the rig file
    assert rows[SENSE][1:] == [SENSE, "1", "6", "6", "yes"]
    assert out.splitlines()[-1] == "margins: [detect] of the rig file of run 1"


@pytest.mark.parametrize(
    ("other", "code", "headline"),
    [
        ({}, 0, "3 equivalent, 1 no difference seen"),
        ({STIFFNESS: quantity(0.40)}, 1, "2 equivalent, 1 different, 1 no difference seen"),
        ({SENSE: exact(-1.0, "1")}, 1, "2 equivalent, 1 different, 1 no difference seen"),
        ({STIFFNESS: quantity(0.65, scatter_u=0.2)}, 2, "2 equivalent, 2 no difference seen"),
        ({STIFFNESS: "the arm had fallen off"}, 2, "2 equivalent, 1 no difference seen, 1 undecided"),
        ({STIFFNESS: "x", SENSE: exact(-1.0, "1")}, 1, "1 equivalent, 1 different, 1 no difference seen, 1 undecided"),
    ],
)
def test_findings_make_the_exit_code(spring, other, code, headline):
    folder = saved("new", record(values(0.651, **other), 9))
    found, out, _ = spring("show", "spring", folder)
    assert (found, out.splitlines()[0]) == (code, f"sluice against baseline spring, revision 1: {headline}")
    assert "needs a margin to be called equivalent" in out
    for reason in other.values():
        assert not isinstance(reason, str) or f"not measured: {reason}" in out


def test_numbers_of_a_difference(spring):
    out = spring("show", "spring", saved("new", record(values(0.40), 9)))[1]
    row = next(line.split() for line in out.splitlines() if STIFFNESS in line)
    assert row[0] == "XX"
    assert float(row[2]) == pytest.approx(0.65, abs=1e-3)
    assert float(row[3]) == pytest.approx(-0.25, abs=1e-3)
    assert row[-1] == "different"
    assert re.search(
        r"XX  leaf.stiffness.open_loop: different: -0.25 N m/rad \(-38.5 %\) off, .* beyond the margin", out
    )


def test_what_was_exchanged_stands_beside_a_step(spring):
    out = spring("show", "spring", saved("new", record(values(0.40), 9, firmware="f2")))[1]
    assert "exchanged since the baseline's last record: firmware\n" in out
    assert f"a step from new on (exchanged there: firmware): {STIFFNESS}" in out
    out = spring("show", "spring", saved("same", record(values(0.40), 9)))[1]
    assert "exchanged since" not in out
    assert "a step from same on (nothing that a record shows was exchanged)" in out


def test_repeats_are_compared_together(spring):
    repeats = [saved(f"new/{k}", record(values(0.65 + k * 1e-3), 9 + k)) for k in range(2)]
    assert spring("show", "spring", *repeats)[0] == 0
    assert spring("show", "spring", "--mounting", "a,b", *repeats)[0] == 0
    other = saved("other", record(values(0.65), 20, board="ffff"))
    code, _, err = spring("show", "spring", repeats[0], other)
    assert code == 4
    assert err == ("rotorgate: other is of another board than new/0: repeats are of one; compare them one at a time\n")


def test_quantities_of_one_side_only(spring):
    more = {"leaf.step.delay": quantity(1e-3, "s", 1e-5)}
    code, out, _ = spring("show", "spring", saved("new", record(values(0.65, **more), 9)))
    assert code == 0
    assert "not in the baseline, not compared: leaf.step.delay" in out


def test_what_the_baseline_never_measured_is_not_compared(say):
    lacking = [
        saved(f"runs/{k}", record(values(LEVELS[k], **{RATIO: "no meter"}), k + 1)) for k in range(6)
    ]  # fmt: skip
    assert say("accept", "spring", *lacking, *ACCEPT)[0] == 0
    assert RATIO not in say("show", "spring")[1]
    assert say("show", "spring", saved("new", record(values(0.65, **{RATIO: "no meter"}), 9)))[0] == 0


def test_a_run_that_did_not_come_to_its_end_is_compared_as_far_as_it_went(spring):
    folder = saved("new", record({STIFFNESS: quantity(0.65)}, 9, finished=False), None)
    code, out, _ = spring("show", "spring", folder)
    assert code == 2
    assert "new: did not come to its end\n" in out
    assert "not measured: the record does not have it" in " ".join(out.split())


def test_showing_keeps_nothing(spring):
    spring("show", "spring", saved("new", record(values(0.65), 9)))
    with Store.open() as store:
        assert len(store.runs()) == 6


def test_a_retired_one_stays_and_nothing_is_compared_with_it(spring):
    code, out, _ = spring("retire", "spring", "--by", "B", "--why", "the arm was bent")
    assert (code, out) == (
        0, "baseline spring, revision 1: retired; it stays in runs/store.sqlite, and nothing is compared with it\n",
    )  # fmt: skip
    assert re.search(r"\nretired \d{4}-\d\d-\d\d by B: the arm was bent\n", spring("show", "spring")[1])
    assert "spring (revision 1): retired by B: the arm was bent" in spring("list")[1]
    code, out, err = spring("show", "spring", saved("new", record(values(0.65), 9)))
    assert (code, out) == (4, "")
    assert re.fullmatch(
        r"rotorgate: baseline spring, revision 1: retired \d{4}-\d\d-\d\d by B \(the arm was bent\): "
        "nothing is compared with it; accept a new revision\n",
        err,
    )
    assert spring("retire", "spring", "--by", "B", "--why", "again")[0] == 4


def test_runs_that_did_not_end_with_0_take_a_reason_which_is_kept(say):
    folders = [*units(5), saved("runs/6", record(values(0.65), 6), 2), saved("runs/7", record(values(0.65), 7), 1)]
    code, _, err = say("accept", "spring", *folders, *ACCEPT)
    assert code == 4
    assert err == (
        "rotorgate: runs/6 ended with 2, runs/7 ended with 1: "
        "a baseline takes runs that ended with 0, or --despite WHY\n"
    )
    assert not Path("runs/store.sqlite").exists()
    assert say("accept", "spring", *folders, *ACCEPT, "--despite", "friction cannot be told")[0] == 0
    assert "\nwith runs that did not end with 0: friction cannot be told\n" in say("show", "spring")[1]


def test_json_is_one_object(spring):
    new = saved("new", record(values(0.40), 9))
    for words in (
        ("accept", "spring", "1", "2", *ACCEPT), ("list",), ("show", "spring", "--revision", "1"),
        ("show", "spring", "--revision", "1", new), ("retire", "spring", "--by", "B", "--why", "x"),
    ):  # fmt: skip
        code, out, err = spring(*words, "--json")
        assert err == ""
        found = json.loads(out)
        assert found["exit_code"] == code
        if words[0] == "show":
            assert found["baseline"]["runs"] == [1, 2, 3, 4, 5, 6]
        if new in words:
            row = next(entry for entry in found["differences"] if entry["name"] == STIFFNESS)
            assert (code, row["finding"]) == (1, "different")
            assert row["difference"] == pytest.approx(row["measured"] - row["baseline"])
            assert row["bounds"][0] < row["difference"] < row["bounds"][1] < -row["margin"]
        elif words[0] == "show":
            level = next(entry for entry in found["levels"] if entry["name"] == STIFFNESS)
            assert level["interval95"][0] < level["value"] < level["interval95"][1]
    baselines = json.loads(spring("list", "--json")[1])["baselines"]
    assert [revision["state"] for revision in baselines] == ["superseded", "retired"]


def test_options_may_stand_between_runs(spring):
    new = saved("new", record(values(0.651), 9))
    assert spring("show", "spring", "--json", new)[0] == 0
    assert spring("show", "--quiet", "spring", new, "--json")[0] == 0
    assert spring("accept", "spring", "1", "--by", "B", "2", "--why", "x", "3")[0] == 0
    with Store.open() as store:
        assert store.baselines.get("spring").runs == (1, 2, 3)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "the following arguments are required: ACT"),
        (["acept"], "invalid choice: 'acept'"),
        (["accept", "x", *ACCEPT], "the following arguments are required: RUN"),
        (["accept", "x", "1", "--why", "y"], "the following arguments are required: --by"),
        (["accept", "x", "1", "--by", " ", "--why", "y"], "--by: expected up to 1000 characters that can be printed"),
        (["accept", "x", "1", "--by", "a\x1b", "--why", "y"], "found a\\x1b"),
        (["accept", "a b", "1", *ACCEPT], "baseline 'a b': expected a name"),
        (["accept", "x", "1", "2", "--mounting", "a", *ACCEPT], "--mounting: expected 2 labels, one a run, found 1"),
        (["accept", "x", "1", "2", "--mounting", "a,", *ACCEPT], "--mounting: expected up to 1000 characters"),
        (["accept", "x", "99", *ACCEPT], "runs/store.sqlite: no run 99"),
        (["accept", "x", "7", *ACCEPT], "no run 7; the folder of that name is written ./7"),
        (["accept", "x", "9" * 30, *ACCEPT], f"{'9' * 30}: no record here"),
        (["accept", "x", "absent", "1", *ACCEPT], "absent: no record here; expected a folder that holds record.json"),
        (["accept", "x", "1", "runs/1", *ACCEPT], "is the same run as"),
        (["accept", "x", "1", "wheel", *ACCEPT], "wheel is of rig handwheel"),
        (["accept", "x", "1", "simulated", *ACCEPT], "simulated and real records are never compared"),
        (["accept", "spring", "wheel", *ACCEPT], "choose another name"),
        (["accept", "x", "killed", *ACCEPT], "killed: did not come to its end: no record for a baseline"),
        (["accept", "x", "1", *ACCEPT, "--despite", "y"], "--despite: every one of these runs ended with 0"),
        (["show", "sprin"], "no baseline sprin; did you mean spring?"),
        (["show", "spring", "--revision", "3"], "baseline spring has revisions 1 to 1, found 3"),
        (["show", "spring", "--revision", "-1"], "expected a whole number from 0"),
        (["show", "spring", "--mounting", "a"], "--mounting: expected with runs to compare, found none"),
        (["show", "spring", "3"], "stands in baseline spring, revision 1 itself, as run 3"),
        (["show", "spring", "runs/3"], "runs/3 stands in baseline spring, revision 1 itself, as run 3"),
        (["show", "spring", "wheel"], "wheel is of rig handwheel"),
        (["show", "spring", "simulated"], "simulated and real records are never compared"),
        (["show", "spring", "1", "--bogus"], "unrecognized arguments: --bogus"),
        (["retire", "autumn", "--by", "B", "--why", "x"], "no baseline autumn; there are spring"),
        (["list", "--store", "nothing"], "nothing: no store here yet"),
        (["list", "--store", "runs"], "store runs: expected a file, found a folder"),
        (["list", "extra"], "unrecognized arguments: extra"),
    ],
)
def test_wrong_use_ends_with_4_and_one_line_and_changes_nothing(spring, words, message):
    saved("wheel", record(values(0.65), 9, rig="handwheel"))
    saved("simulated", record(values(0.65), 9, simulated=True))
    saved("killed", record(values(0.65), 9, finished=False), None)
    saved("7", record(values(0.65), 10))
    before = spring("list", "--json")[1]
    code, out, err = spring(*words)
    assert (code, out) == (4, "")
    assert err.startswith("rotorgate: ")
    assert message in err
    assert err.count("\n") == 1
    assert spring("list", "--json")[1] == before


def test_all_folders_that_are_none_are_named(say):
    code, _, err = say("accept", "x", "a", "b", *ACCEPT)
    assert (code, err.count("\n")) == (4, 2)
    assert not Path("runs").exists()


def test_a_store_without_baselines(spring):
    Path("empty").mkdir()
    with Store.open("empty/store", make=True):
        pass
    assert spring("list", "--store", "empty/store") == (
        0, "empty/store: no baselines; `rotorgate baseline accept` makes one\n", "",
    )  # fmt: skip
    code, _, err = spring("show", "spring", "--store", "empty/store")
    assert (code, err) == (
        4, "rotorgate: empty/store: no baseline spring; there are none; `rotorgate baseline accept` makes one\n",
    )  # fmt: skip


def test_a_store_that_this_version_does_not_read_or_that_cannot_be_used(spring, monkeypatch):
    shutil.copy("runs/store.sqlite", "newer")
    with sqlite3.connect("newer") as connection:
        connection.execute("INSERT INTO store SELECT 99, format, since_utc, '9.9' FROM store")
    Path("foreign").write_text("no database at all, and long enough to be seen as such\n" * 20)
    for place, expected, words in (
        ("newer", 4, "a store of version 99, made by rotorgate 9.9; this one reads up to"),
        ("foreign", 4, "not a store: expected a file that rotorgate made"),
        ("postgresql://nobody@127.0.0.1:1/lab", 3, "127.0.0.1"),
    ):
        if place.startswith("postgresql"):
            pytest.importorskip("psycopg")
        for act in (["list"], ["show", "spring"], ["accept", "x", "1", *ACCEPT], ["retire", "spring", *ACCEPT]):
            code, out, err = spring(*act, "--store", place)
            assert (code, out, err.count("\n")) == (expected, "", 1), err
            assert words in err


def test_a_missing_raw_file_hinders_no_comparison(spring):
    shutil.rmtree("runs/store.sqlite.raw", ignore_errors=True)
    assert spring("show", "spring", saved("new", record(values(0.651), 9)))[0] == 0


@pytest.mark.parametrize(
    ("where", "what"),
    [
        (("measurements", 0), {}), (("measurements", 0), 1.0), (("measurements", 0, "unit"), -1),
        (("measurements", 0, "value"), True), (("measurements", 0, "value"), float("inf")),
        (("measurements", 0, "budget", 0, "u"), "0.1"), (("measurements", 0, "budget", 0, "shape"), "odd"),
        (("observations",), [1.0]), (("rig",), {}), (("declared",), None), (("instruments",), []),
    ],
)  # fmt: skip
def test_a_damaged_record_is_said_in_one_line(spring, where, what):
    path = Path(saved("new", record(values(0.651), 9))) / "record.json"
    content = json.loads(path.read_text())
    inner = content
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = what
    path.write_text(json.dumps(content))
    code, out, err = spring("show", "spring", "new")
    assert (code, out, err.count("\n")) == (4, "", 1), err
    assert spring("accept", "x", "new", *ACCEPT)[0] == 4


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("columns", [20, 60, 79, 80, 90, 104, 200])
def test_every_width_shows_all_of_it(spring, monkeypatch, columns):
    """With somebody's words in it that rich would take for its markup."""
    spring("accept", "a.b.c", "1", "2", "--by", "[red]x[/]", "--why", "[/dev/ttyACM0]")
    spring("retire", "a.b.c", "--by", "[bold]", "--why", "[/] gone")
    new = saved("new", record(values(0.40, **{RATIO: "[/dev/ttyACM0] [requirements]"}), 9))
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm")
    for words, parts in (
        (["list"], ["a.b.c", "[red]x[/]", "[/]gone", "retired", "sluice"]),
        (["show", "a.b.c"], ["[/dev/ttyACM0]", "open_loop", "0.650"]),
        (["show", "spring", new], ["[/dev/ttyACM0][requirements]", "different", "-0.25", "N m/rad", "undecided"]),
    ):
        out = Tty()
        monkeypatch.setattr("sys.stdout", out)
        cli.main(["baseline", *words])
        plain = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
        joined = "".join(plain.split())
        for part in parts:
            assert part.replace(" ", "") in joined, (part, plain)
        drawn = [line for line in plain.splitlines() if line[:2] in ("ok", "XX", "??", "--") or line[:4] == "    "]
        assert max(map(len, drawn), default=0) <= columns


def test_no_colour_where_none_is_wanted(spring, monkeypatch):
    new = saved("new", record(values(0.40), 9))
    monkeypatch.setenv("NO_COLOR", "1")
    out = Tty()
    monkeypatch.setattr("sys.stdout", out)
    cli.main(["baseline", "show", "spring", new])
    assert not re.search(r"\x1b\[[0-9;]*3\d", out.getvalue())


def test_repeats_of_one_command_are_one_mounting_unless_somebody_says_otherwise(say):
    def repeats(first: int, count: int) -> list[str]:
        made = []
        for k in range(count):
            run = record(values(LEVELS[first + k]), first + k + 1)
            made.append(saved(f"runs/{first + k}", edited(run, repeat={"number": k + 1, "of": count})))
        return made

    folders = [*repeats(0, 3), *repeats(3, 2), *repeats(5, 1)]
    out = say("accept", "a", *folders, *ACCEPT)[1]
    assert "6 records, 3 mountings" in out
    assert "self-declared (each of 3 commands counts as one, repeats of one command together)" in out
    assert "fewer than 5 separate mountings (3)" in out
    assert "6 records, 3 mountings" in say("show", "a")[1], "as it was kept"
    assert "6 records, 6 mountings" in say("accept", "b", *folders, "--mounting", "1,2,3,4,5,6", *ACCEPT)[1]
