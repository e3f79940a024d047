"""`rotorgate study capability` from the command line, over runs that the store keeps."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from statistics import fmean, stdev

import pytest

from harness.command import main as cli
from harness.command.capability import lot_exit_code
from harness.compare import Difference, Finding
from harness.lot.gathered import gather
from harness.lot.quantities import quantities
from harness.lot.reference import BoardDifference, ReferenceComparison
from harness.store import Store
from tests.software.lot.records import boards
from tests.software.run.fakes import IDENTITY, SLUICE, Bench, FakeChecks, FakeRig

RISES = (40.0, 40.8, 39.1, 40.3, 38.9, 40.1, 41.0, 39.5, 40.6, 39.8)
CPK = (60.0 - fmean(RISES)) / (3.0 * stdev(RISES))


@pytest.fixture
def lot(monkeypatch, tmp_path, capsys):
    """Qualify boards whose rises are given, under names B0, B1, ..."""
    monkeypatch.chdir(tmp_path)

    def made(rises=RISES, lot="spring"):
        for k, rise in enumerate(rises):
            changes = {"leaf.thermal.rise": rise, "wheel.thermal.rise": rise + 1.0}
            rig = FakeRig(identity=replace(IDENTITY, unique_id=f"{lot}{k}"))
            widths = dict.fromkeys(changes, 0.2)
            bench = Bench()
            bench(FakeChecks(changes=changes, widths=widths), rig)
            words = ["--only", "thermal", "--board", f"B{k}", "--lot", lot, "--out", f"runs/{lot}{k}", "--quiet"]
            assert bench.main(["qualify", str(SLUICE), *words]) in (0, 1, 2)
        capsys.readouterr()

    return made


def study(*words):
    return cli.main(["study", "capability", *words])


def test_ten_boards_have_a_capability(lot, capsys):
    lot()
    assert study() == 0
    out = capsys.readouterr().out
    assert out.startswith("lot spring, rig sluice (SIMULATED): 10 boards, 10 runs\n")
    row = next(line.split() for line in out.splitlines() if line.lstrip().startswith("leaf.thermal.rise"))
    assert row[1:3] == ["10", "40.01"]
    assert row[5:7] == ["<=", "60"]
    assert (row[7], row[-1]) == (f"{CPK:.2f}", "given")
    assert float(row[8]) < float(row[7])
    assert float(row[9]) < float(row[8])
    assert "on the reference motor (leaf and wheel) of this bench; no other motor was measured" in out
    assert "Cpk: observed" in out


def test_nine_have_none_and_their_table_instead(lot, capsys):
    lot(RISES[:9])
    assert study() == 2
    out = capsys.readouterr().out
    assert out.startswith(
        "lot spring, rig sluice (SIMULATED): 9 boards, 9 runs: too few boards (9 of 10), no capability\n"
    )
    assert "Cpk" not in out
    assert sum("conforming" in line for line in out.splitlines()) == 18
    assert "on the reference motor (leaf and wheel)" in out


def test_a_board_beyond_its_requirement_ends_with_1(lot, capsys):
    lot((*RISES, 75.0))
    assert study("--out", "pages") == 1
    out = capsys.readouterr().out
    assert "XX  B10 leaf.thermal.rise" in out
    assert "certificate pages/certificate-B10.html" in out
    assert "does not conform" in Path("pages/certificate-B10.html").read_text(encoding="utf-8")


def test_beside_a_reference_board_of_one_mounting_nothing_is_decided(lot, capsys):
    lot(RISES[:3])
    assert study("--reference", "B1") == 2
    out = capsys.readouterr().out
    assert "B0 beside reference board B1: 12 undecided\n" in out
    assert "reference board B1: 1 mounting, each command counts as one; fewer than 5 say too little" in out


def test_json_says_all_of_it(lot, capsys):
    lot()
    assert study("--json", "--reference", "B0", "--out", "p") == 2
    said = json.loads(capsys.readouterr().out)
    assert (said["exit_code"], said["lot"], said["simulated"], said["too_few"]) == (2, "spring", True, "")
    assert said["boards"]["B3"] == [4]
    found = next(quantity for quantity in said["quantities"] if quantity["name"] == "leaf.thermal.rise")
    assert found["required"] == {"min": None, "max": 60.0}
    assert found["capability"]["cpk"] == pytest.approx(CPK)
    assert found["capability"]["cp"] is None
    assert found["boards"]["B1"]["verdict"] == "conforming"
    assert said["reference"]["beside"]["B1"][0]["finding"] == "undecided"
    assert said["certificates"][0] == "p/certificate-B0.html"


def test_a_lot_has_to_be_named_where_there_are_two_and_one_that_is_not_there_is_refused(lot, capsys):
    lot(RISES[:1])
    lot(RISES[:1], "summer")
    assert study() == 4
    assert "--lot: expected the name of one lot; the store has spring, summer" in capsys.readouterr().err
    assert study("--lot", "winter") == 4
    assert "--lot winter: no run of it in runs/store.sqlite; the store has spring, summer" in capsys.readouterr().err
    assert study("--lot", "summer", "--reference", "B7") == 4
    assert "--reference B7: not in lot summer; it has B0" in capsys.readouterr().err


def test_a_store_without_lots_and_no_store(lot, capsys, tmp_path):
    assert study() == 4
    assert "runs/store.sqlite" in capsys.readouterr().err
    Store.open("runs/store.sqlite", make=True).close()
    assert study() == 4
    assert "the store has no lots: `rotorgate qualify RIG --board ID` makes one" in capsys.readouterr().err


BESIDE = {
    "a margin, equivalent": ([("equivalent", 1.0)], 0),
    "no margin, none seen": ([("equivalent", 1.0), ("no difference seen", None)], 0),
    "a margin, none seen": ([("equivalent", 1.0), ("no difference seen", 1.0)], 2),
    "nothing equivalent": ([("no difference seen", None)], 2),
    "undecided": ([("equivalent", 1.0), ("undecided", None)], 2),
    "different": ([("equivalent", 1.0), ("different", None)], 1),
}


@pytest.mark.parametrize("case", BESIDE)
def test_what_boards_beside_a_reference_board_come_to(case):
    findings, code = BESIDE[case]
    lot = gather("spring", boards(12))
    beside = [
        BoardDifference(board="B02", found=Difference(name=f"q{k}", finding=Finding(word), margin=margin), apart=None)
        for k, (word, margin) in enumerate(findings)
    ]
    reference = ReferenceComparison(board="B01", mountings=5, levels={}, by_board={"B02": beside})
    assert lot_exit_code(lot, quantities(lot), None) == 0
    assert lot_exit_code(lot, quantities(lot), reference) == code
