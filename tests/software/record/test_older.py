"""A record and a store made by an earlier version are read by this one, through every property and every use of them.

What stands in `schema_1_of_2026_11_29` was written by the code of that day and is never written again: a qualification
of the demo's gate motor alone with the rig fault slack-gain, whose rig file asks for limits and deviations such that
every word of a verdict occurs, judged by a study of the gauge; and the store beside it, with that study, a baseline of
the run and a decision on it, as SQL. Its raw files are the record's own, each under its hash.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import sqlite3
from collections import Counter
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.base.errors import RecordError
from harness.baseline.stored import load_baseline
from harness.compare import Comparison, Finding
from harness.history.page import render as history_page
from harness.history.runs import read_history
from harness.nouns.results import Measurement, Outcome, VerdictKind
from harness.record import Record, read, rewriting, schema
from harness.record.entries import ObservationEntry
from harness.record.parts import DamagedRecord
from harness.record.raw import beside
from harness.record.schema import record_content
from harness.report import write_report
from harness.run.judge_again import judge_again, record_again
from harness.store import Store
from tests.software.record.contents import content_of, edited

OLD = Path(__file__).parent / "schema_1_of_2026_11_29"
AS_WRITTEN = {
    "record.json": "1750a6e519ab944f49f137a72e351148466a3f2d38fdea496ddf627b82ba9d9f",
    "store.sql": "238fcda9151c138100d6d95e70b036646c4c2f16b686c4ca6da2756611f60a5a",
}
SWEPT = ("open_loop", "closed_loop", "ratio", "friction", "slip_torque", "torque_per_ampere")
SMOOTHED = {f"gate.stiffness.{name}" for name in SWEPT}
LOOP, SPREAD = "gate.stiffness.closed_loop", "gate.commutation.step_spread"


@pytest.fixture
def record(tmp_path: Path) -> Record:
    """The record in a folder of its own."""
    shutil.copytree(OLD, tmp_path / "run")
    return read(tmp_path / "run")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """The store as that day left it."""
    place = tmp_path / "store.sqlite"
    with contextlib.closing(sqlite3.connect(place)) as connection:
        connection.executescript((OLD / "store.sql").read_text(encoding="utf-8"))
    for path in (OLD / "observations").glob("*.npy"):
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
        raw = tmp_path / "store.sqlite.raw" / sha256[:2] / f"{sha256}.npy"
        raw.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, raw)
    return place


def test_nobody_has_written_it_again() -> None:
    """A script that goes over the tree must leave it alone: it would no longer be what that version wrote."""
    assert {name: hashlib.sha256((OLD / name).read_bytes()).hexdigest() for name in AS_WRITTEN} == AS_WRITTEN


def test_every_property_reads(record: Record) -> None:
    """None of them raises, and few have nothing to say."""
    kinds = (property, cached_property)
    names = [name for name in dir(Record) if isinstance(getattr(Record, name), kinds) and not name.startswith("_")]
    said = {name: getattr(record, name) for name in names}
    assert len(said) > 30
    assert {name for name, value in said.items() if value in (None, (), [], {})} == {
        "board_seed", "missing", "not_exercised", "plant_seed", "running", "stop", "switched_off",
    }  # fmt: skip


def test_it_says_what_that_day_said(record: Record) -> None:
    """A sample of each part."""
    assert (record.schema, record.finished, record.simulated, record.exit_code) == (1, True, True, 1)
    assert (record.board.name, record.lot, record.seed, record.motors) == ("A1", "spring", 1, ("gate",))
    assert record.started.isoformat().startswith("2026-11-29T")
    assert record.firmware is not None
    assert (record.firmware.name, record.firmware.version) == ("sluice_drive", "1.4.0")
    assert record.declared["gate"].counts_per_turn == 16384
    assert record.instruments["meter_gate"].class_ == "multimeter"
    assert record.spec.detect["commutation.sensor_age"].absolute == 1.0e-6
    assert (record.risk.planned, len(record.planned)) == (22, 21)
    assert record.gauges[SPREAD].grr == 0.01
    assert record.diagnosis.known
    assert [cause.name for cause in record.causes] == ["loop gain"]
    assert record.causes[0].explains == (LOOP, "gate.stiffness.ratio")
    assert {verdict.outcome for verdict in record.verdicts} == set(Outcome)
    assert {verdict.kind for verdict in record.verdicts} == {VerdictKind.QUANTITY}
    (expected, required) = (verdict for verdict in record.verdicts if verdict.name == LOOP)
    assert expected.measured is not None
    assert expected.measured.value == pytest.approx(0.2452, abs=1e-4)
    assert (required.requirement is not None and required.requirement.low, required.outcome) == (0.4, "nonconforming")
    (entry,) = (entry for entry in record.measurement_entries if entry.name == LOOP)
    assert entry.interval95[0] < entry.value == expected.measured.value < entry.interval95[1]
    assert record.observation("gate.commutation.vectors").numbers("current_a")[0] == pytest.approx(0.313, abs=1e-3)


def test_its_page_is_written(record: Record) -> None:
    """As for a record of today."""
    page = write_report(record.folder).read_text(encoding="utf-8")
    assert "<h1>The board is refused</h1>" in page
    assert "the firmware&#39;s loop gain is 0.5 times what the rig file says" in page
    for outcome in Outcome:
        assert f"</span> {outcome.value}</td>" in page or outcome is Outcome.NOT_RUN
    assert "needs two motors" in page


def test_it_is_kept_as_the_run_that_the_old_store_has(record: Record, store: Path, tmp_path: Path) -> None:
    """The same run under the same uid, in a new store and in the old one."""
    with Store.open(tmp_path / "new.sqlite", make=True) as new, Store.open(store) as old:
        run, known = new.keep(record.folder), old.keep(record.folder)
        assert [run.id for run in old.runs()] == [known.id]
        assert run.uid == known.uid
        assert new.values(LOOP, "sluice")[0] == old.values(LOOP, "sluice")[0]


def test_the_old_store_is_read(record: Record, store: Path, tmp_path: Path) -> None:
    """Run, record, observations, study, baseline, decision, and the page of all of it."""
    with Store.open(store) as opened:
        (run,) = opened.runs(lot="spring", board_name="A1")
        kept = opened.record(run.id)
        assert kept.data == record.data
        assert [observation.data.tolist() for observation in kept.observations()] == [
            observation.data.tolist() for observation in record.observations()
        ]
        (study,) = opened.studies.all("gauge", "sluice")
        assert study.id == record.gauges[SPREAD].study
        (baseline,) = opened.baselines.all()
        assert (baseline.name, baseline.runs) == ("spring", (run.id,))
        (decision,) = opened.decisions.all()
        assert (decision.word, decision.runs) == ("refuse", (run.id,))
        words = Counter(value.outcome for name in opened.histories.names() for value in opened.values(name, "sluice"))
        assert words["differs"] == 2
        page = history_page(read_history(opened), beside=tmp_path)
    assert page.count('<figure id="') == len(record.measurements)


def test_a_run_is_compared_with_its_baseline(record: Record, store: Path) -> None:
    """One run is too few to compare anything but counts with; that is said of each of the others."""
    later = edited(record, started_utc="2026-12-24T08:00:00+00:00", seed=2)
    with Store.open(store) as opened:
        against = load_baseline(opened, opened.baselines.all()[0])
    found = Comparison.of(against, [later])
    assert {difference.finding for difference in found.differences} <= {Finding.UNDECIDED, Finding.EQUIVALENT}
    assert len(found.differences) == len(record.measurements)
    assert any("1 of the 5 mountings" in difference.reason for difference in found.differences)
    assert found.exchanged == []


def test_it_is_judged_again(record: Record) -> None:
    """Today's analyses, models and rule over its observations find what was found; a longer smoothing of the sweeps has
    moved what comes of them since, by less than half its uncertainty."""
    again = judge_again(record)
    then = {(verdict.name, verdict.requirement is not None): verdict.outcome for verdict in record.verdicts}
    assert {(verdict.name, verdict.requirement is not None): verdict.outcome for verdict in again.verdicts} == then
    assert [cause.name for cause in again.diagnosis.causes] == ["loop gain"]
    for result in again.results:
        if isinstance(result, Measurement):
            measured = record.measurements[result.name].quantity
            share = 0.5 if result.name in SMOOTHED else 0.1
            assert abs(result.quantity.value - measured.value) <= share * measured.u, result.name


def test_its_raw_files_are_read_from_where_they_are(record: Record) -> None:
    """Another reader of observations takes the place of the folder."""
    elsewhere = {entry.file: record.raw(entry) for entry in record.observation_entries}
    shutil.rmtree(record.folder)

    def raw(entry: ObservationEntry) -> bytes:
        return elsewhere[entry.file]

    assert judge_again(Record(record.folder, record.data, raw=raw)).diagnosis.differs


def test_a_damaged_file_of_samples_is_said_to_be_one(record: Record) -> None:
    """Whatever lies in its place: another format, no rows, words, a number alone."""
    entry = record.observation_entries[0]
    path = record.folder / entry.file
    names = [(column.name, "<U4") for column in entry.columns]
    others = {"words": np.zeros(3, names), "no rows": np.load(path)[:0], "a number": np.array(1.0)}
    for samples in others.values():
        np.save(path, samples)
        with pytest.raises(RecordError):
            read(record.folder).observations()
    for data in (b"", b"PK\x03\x04xxxx", b"\x93NUMPY"):
        path.write_bytes(data)
        with pytest.raises(RecordError):
            read(record.folder).observations()
    with pytest.raises(RecordError, match="no name of a file"):
        beside(record.folder)(replace(entry, file="raw/\0"))


def test_what_is_rewritten_is_raised_once(record: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a step that says something else the second time."""
    now = schema.SCHEMA
    monkeypatch.setattr(schema, "SCHEMA", now + 1)
    monkeypatch.setattr(rewriting, "SCHEMA", now + 1)
    monkeypatch.setattr(
        schema, "RAISES", {**schema.RAISES, now: lambda content: {**content, "lot": f"older {content['lot']}"}}
    )
    older = edited(record, lot="spring")
    assert older.lot == "older spring"
    again = record_again(older)
    assert (again.schema, again.lot) == (now + 1, "older spring")


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"risk": {"planned": 0}}, "risk"),
        ({"risk": {"false_alarm": 2.0}}, "risk"),
        ({"declared": None}, "declared"),
    ],
)
def test_a_record_that_cannot_be_judged_by_is_damaged(record: Record, changes: dict[str, Any], what: str) -> None:
    content = content_of(record)
    changed = {name: {**content[name], **change} if change else {} for name, change in changes.items()}
    with pytest.raises(DamagedRecord, match=what):
        judge_again(edited(record, **changed))


@pytest.mark.parametrize("entries", ["measurements", "expectations"])
def test_an_uncertainty_that_no_number_comes_of_is_damage(record: Record, entries: str) -> None:
    changed = content_of(record)[entries]
    [part, *_] = next(entry["budget"] for entry in changed if entry["budget"])
    part["u"] = 1e308
    with pytest.raises(DamagedRecord, match="expected a number, found"):
        judge_again(edited(record, **{entries: changed}))


def test_a_requirement_that_is_none_is_damage(record: Record) -> None:
    changed = content_of(record)["verdicts"]
    next(entry for entry in changed if entry["requirement"])["requirement"] = "strict"
    with pytest.raises(DamagedRecord, match="expected"):
        _ = edited(record, verdicts=changed).verdicts


def test_a_run_that_planned_nothing_has_nothing_to_judge(record: Record) -> None:
    with pytest.raises(RecordError, match="before anything was planned"):
        judge_again(edited(record, finished=False, planned=[]))


def test_schema_2_had_other_keys_for_places_and_causes(record: Record) -> None:
    """Where no loop was exercised, and what would confirm a cause; what is no list of causes stays, to be refused."""
    places, (cause, *_) = ["leaf: its loop was not closed"], [dict(entry) for entry in record.content["causes"]]
    cause["settled_by"] = cause.pop("confirmed_by")
    older = {**record.content, "schema": 2, "not_tried": places, "causes": [cause]}
    del older["not_exercised"]
    again = Record(record.folder, json.dumps(older).encode())
    assert list(again.not_exercised) == places
    assert again.confirmed_by == record.confirmed_by == cause["settled_by"] != ""
    assert record_content(Path("record.json"), json.dumps({**older, "causes": [3]}).encode())["causes"] == [3]
