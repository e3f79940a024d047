"""What went in comes out, once each, whatever the database; nothing is ever changed or taken away."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.base.errors import HarnessError, RecordError, StoreError
from harness.record import read, schema
from harness.store import Store, tables
from harness.store import store as store_module
from tests.examples import examples
from tests.software.store.conftest import schema as database_schema
from tests.software.store.records import NAME, written


def test_a_kept_record_comes_back_as_it_was(place, tmp_path):
    folder = written(tmp_path / "run")
    with Store.open(place, make=True) as store:
        run = store.keep(folder)
    before = read(folder)
    observations = before.observations()
    shutil.rmtree(folder)
    with Store.open(place) as store:
        record = store.record(run.id)
        assert record.data == before.data
        assert record.results == before.results
        for made, kept in zip(observations, record.observations(), strict=True):
            assert (made.name, made.columns, made.conditions) == (kept.name, kept.columns, kept.conditions)
            assert made.data.tolist() == kept.data.tolist()
            assert made.data.dtype == kept.data.dtype
        assert store.run(run.id) == run
    assert (run.rig, run.simulated, run.board_id, run.seed, run.exit_code) == ("sluice", True, "0042", 1, 0)
    assert (run.firmware_name, run.firmware_version, run.finished, run.remark) == ("drive", "1.4.0", True, "")


def test_raw_observations_and_their_folders_are_on_the_disk_before_the_run_is(tmp_path, monkeypatch):
    synced: list[int] = []
    fsync = os.fsync

    def noted(descriptor: int) -> None:
        synced.append(os.fstat(descriptor).st_ino)
        fsync(descriptor)

    class Adding(Exception):
        """Where the rows of the run begin."""

    def adding(_database: object) -> None:
        raise Adding

    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        monkeypatch.setattr(os, "fsync", noted)
        monkeypatch.setattr(type(store._database), "adding", adding)
        with pytest.raises(Adding):
            store.keep(written(tmp_path / "run", observations=((1,), (2,))))
    raw = sorted((tmp_path / "store.sqlite.raw").rglob("*.npy"))
    assert len(raw) == 2
    assert {path.stat().st_ino for path in (*raw, *(path.parent for path in raw))} <= set(synced)


def test_the_same_record_is_the_same_run_whatever_its_folder(place, tmp_path):
    folder = written(tmp_path / "run")
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    with Store.open(place, make=True) as store:
        first = store.keep(folder)
        assert store.keep(copy) == first
        other = store.keep(written(tmp_path / "other", observations=((1, 2, 3), (4, 6))))
        assert other.uid != first.uid
        assert [run.id for run in store.runs()] == [first.id, other.id]


def test_runs_are_found_by_rig_board_and_firmware(place, tmp_path):
    with Store.open(place, make=True) as store:
        late = store.keep(written(tmp_path / "a", started="2026-03-02T08:00:00Z"))
        early = store.keep(written(tmp_path / "b", started="2026-03-01T09:30:00+02:00", version="1.5.0"))
        other = store.keep(written(tmp_path / "c", rig="handwheel"))
        assert store.runs() == [early, other, late]
        assert early.started_utc == "2026-03-01T07:30:00+00:00"
        assert store.runs(rig="sluice") == [early, late]
        assert store.runs(firmware_version="1.5.0", simulated=True) == [early]
        assert store.runs(simulated=False) == store.runs(board_id="0043") == store.runs(lot="7") == []
        with pytest.raises(StoreError, match="no run 77"):
            store.run(77)
        with pytest.raises(StoreError, match="no run 77"):
            store.record(77)


def test_the_history_of_a_quantity(place, tmp_path):
    with Store.open(place, make=True) as store:
        for day in (3, 1, 2):
            store.keep(written(tmp_path / f"{day}", value=float(day), started=f"2026-03-0{day}T08:00:00+00:00"))
        store.keep(written(tmp_path / "other", rig="handwheel", value=9.0))
        history = store.values(NAME, "sluice")
        assert [(entry.run_id, entry.value) for entry in history] == [(2, 1.0), (3, 2.0), (1, 3.0)]
        first = history[0]
        assert (first.u, first.unit, first.dof) == (0.008, "N m/rad", 7.0)
        assert (first.outcome, first.conformity, first.simulated) == ("agrees", "conforming", True)
        assert store.values(NAME, "sluice", simulated=False) == []
        assert store.values("together.supply_sag", "sluice") == []  # never measured
        assert store.values("leaf.stiffness.closed_loop", "sluice") == []


def test_what_was_not_measured_stands_in_the_table(place, tmp_path):
    with Store.open(place, make=True) as store:
        store.keep(written(tmp_path / "run"))
        with store._database.reading() as connection:
            rows = {row.name: row for row in connection.execute(sqlalchemy.select(tables.quantity))}
    assert set(rows) == {NAME, "together.supply_sag", "leaf.step.limits"}
    assert rows["together.supply_sag"][2:] == ("together", "", None, None, "", None, "not run", None)
    assert rows["leaf.step.limits"][2:] == ("step", "leaf", None, None, "", None, None, "nonconforming")


def test_who_reads_sees_one_moment(place, tmp_path):
    with Store.open(place, make=True) as store, Store.open(place) as other:
        store.keep(written(tmp_path / "a"))
        counted = sqlalchemy.select(sqlalchemy.func.count()).select_from(tables.run)
        with other._database.reading() as connection:
            assert connection.scalar(counted) == 1
            store.keep(written(tmp_path / "b", seed=2))
            assert connection.scalar(counted) == 1
        assert len(other.runs()) == 2


def test_an_unfinished_record_is_kept_too(place, tmp_path):
    with Store.open(place, make=True) as store:
        run = store.keep(written(tmp_path / "run", finished=False))
        assert (run.finished, run.exit_code) == (False, None)
        assert not store.record(run.id).finished


WORDS = {"name": "first", "revision": 1, "accepted_utc": "", "by_whom": "", "why": "", "rig": ""}
ROWS = {
    "raw": {"sha256": "ef" * 32, "data": b""},
    "baseline": {"id": 1, **WORDS},
    "baseline_run": {"baseline_id": 1, "run_id": 1},
    "retirement": {"baseline_id": 1, "retired_utc": "", "by_whom": "", "why": ""},
    "study": {"id": 1, "made_utc": "", "kind": "", "rig": "", "simulated": True, "json": b""},
    "decision": {
        **{"id": 1, "made_utc": "", "rig": "", "simulated": True, "word": "", "exit_code": 1, "baseline_id": 1},
        **{"policy_sha256": "", "json": b""},
    },
    "decision_run": {"decision_id": 1, "run_id": 1},
}
"""A row of each table that keeping a record leaves empty."""


@pytest.mark.parametrize("act", ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}"])
def test_nothing_is_changed_or_taken_away(place, tmp_path, act):
    with Store.open(place, make=True) as store:
        store.keep(written(tmp_path / "run"))
        with store._database.writing() as connection:
            for name, row in ROWS.items():
                connection.execute(tables.metadata.tables[name].insert(), row)
    for table in tables.metadata.sorted_tables:
        statement = act.format(table.name, table.c.keys()[0])
        with (
            Store.open(place) as store,
            pytest.raises(HarnessError, match="a store is only added to"),
            store._database.writing() as connection,
        ):
            connection.exec_driver_sql(statement)


def test_hostile_words_are_kept_and_found_written_out(place, tmp_path):
    version = "1.\x00\x1b[31m\ud800\u2028é"
    with Store.open(place, make=True) as store:
        run = store.keep(written(tmp_path / "run", version=version))
        assert run.firmware_version == "1.\\x00\\x1b[31m\\ud800\\u2028é"
        assert store.record(run.id).declared["leaf"].version == version


def test_a_record_of_an_older_schema_still_reads(place, tmp_path, monkeypatch):
    with Store.open(place, make=True) as store:
        run = store.keep(written(tmp_path / "run"))
        now = schema.SCHEMA
        monkeypatch.setattr(schema, "SCHEMA", now + 1)
        monkeypatch.setattr(schema, "RAISES", {now: lambda content: {**content, "lot": "raised"}})
        assert (store.record(run.id).schema, store.record(run.id).lot) == (now, "raised")
        monkeypatch.setattr(schema, "SCHEMA", 0)
        with pytest.raises(RecordError, match=f"schema {now}, written by a newer rotorgate; this one reads up to 0"):
            store.record(run.id)


def to_next(connection):
    connection.exec_driver_sql("ALTER TABLE run ADD COLUMN operator TEXT")


def test_an_older_store_is_raised_and_keeps_what_it_has(place, tmp_path, monkeypatch):
    with Store.open(place, make=True) as store:
        run = store.keep(written(tmp_path / "run"))
    now = tables.VERSION
    monkeypatch.setattr(tables, "VERSION", now + 1)
    monkeypatch.setattr(tables, "RAISES", {now: to_next})
    for _ in range(2):
        with Store.open(place) as store:
            assert store.runs() == [run]
            with store._database.reading() as connection:
                assert connection.exec_driver_sql("SELECT operator FROM run").all() == [(None,)]
                assert connection.scalars(sqlalchemy.select(tables.store.c.version)).all() == [now, now + 1]
    monkeypatch.setattr(tables, "VERSION", now)
    words = rf"a store of version {now + 1}, made by rotorgate \S+; this one reads up to {now}: bring"
    with pytest.raises(StoreError, match=words):
        Store.open(place)


def test_a_store_of_version_1_reads_and_becomes_one_of_today(tmp_path):
    """version_1.sql is what version 1 left of one run and one raw file's name."""
    old, new = str(tmp_path / "old.sqlite"), str(tmp_path / "new.sqlite")
    with contextlib.closing(sqlite3.connect(old)) as connection:
        connection.executescript((Path(__file__).parent / "version_1.sql").read_text(encoding="utf-8"))
    with Store.open(old) as store, Store.open(new, make=True) as made:
        (run,) = store.runs()
        assert (run.rig, run.board_id, run.board_name, run.exit_code) == ("sluice", "0042", None, 0)
        assert [entry.value for entry in store.values(NAME.replace("leaf", "gate"), "sluice")] == [0.652]
        assert store.record(run.id).schema == 1
        later = store.keep(written(tmp_path / "run", seed=2))
        assert [kept_run.id for kept_run in store.runs()] == [run.id, later.id]
        raised, fresh = (sqlalchemy.inspect(opened._database._engine) for opened in (store, made))
        assert sorted(raised.get_table_names()) == sorted(fresh.get_table_names())
        for table in fresh.get_table_names():
            assert [(c["name"], str(c["type"]), c["nullable"]) for c in raised.get_columns(table)] == [
                (c["name"], str(c["type"]), c["nullable"]) for c in fresh.get_columns(table)
            ]
    triggers = "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'index') ORDER BY name"
    with contextlib.closing(sqlite3.connect(old)) as first, contextlib.closing(sqlite3.connect(new)) as other:
        assert first.execute(triggers).fetchall() == other.execute(triggers).fetchall()


def test_a_clock_set_back_is_said_and_costs_nothing(place, tmp_path, monkeypatch):
    now = datetime(2026, 3, 1, 9, tzinfo=UTC)
    monkeypatch.setattr(store_module, "utc_now", lambda: now)
    with Store.open(place, make=True) as store:
        assert store.keep(written(tmp_path / "a")).remark == ""
        now -= timedelta(hours=1, minutes=30)
        before = store.keep(written(tmp_path / "b", seed=2))
        assert "07:30:00.000+00:00, after a run that was kept at 2026-03-01T09:00:00" in before.remark
        assert before.remark.endswith("the clock was set back")
        ahead = store.keep(written(tmp_path / "c", seed=3, started="2026-03-01T07:45:00Z"))
        assert "07:30:00.000+00:00, before the run was started" in ahead.remark
        assert len(store.runs()) == len(store.values(NAME, "sluice")) == 3


SEEDS = st.integers(0, 5)
COUNTS = st.lists(st.integers(-(2**63), 2**63 - 1), max_size=5)
STEPS = st.lists(
    st.just("reopen") | st.tuples(SEEDS, st.floats(-1e100, 1e100), st.lists(COUNTS, max_size=3)), max_size=8
)


def any_steps_give_back_what_went_in(place: str, steps: list[object]) -> None:
    kept: dict[str, tuple[int, object, list[list[tuple[int, ...]]]]] = {}
    with tempfile.TemporaryDirectory() as home:
        store = Store.open(place, make=True)
        try:
            for number, step in enumerate(steps):
                if step == "reopen":
                    store.close()
                    store = Store.open(place)
                else:
                    seed, value, counts = step
                    folder = written(Path(home) / str(number), seed=seed, value=value, observations=counts)
                    run, record = store.keep(folder), read(folder)
                    raw = [observation.data.tolist() for observation in record.observations()]
                    assert kept.setdefault(run.uid, (run.id, record, raw))[::2] == (run.id, raw)
                runs = store.runs()
                assert {run.uid: run.id for run in runs} == {uid: entry[0] for uid, entry in kept.items()}
                for run_id, before, raw in kept.values():
                    record = store.record(run_id)
                    assert record.data == before.data
                    assert [observation.data.tolist() for observation in record.observations()] == raw
                history = store.values(NAME, "sluice")
                assert {entry.run_id: entry.value for entry in history} == {
                    run_id: before.measurements[NAME].quantity.value for run_id, before, _ in kept.values()
                }
        finally:
            store.close()


@examples(25)
@given(STEPS)
def test_any_sequence_of_keeping_and_opening_again(steps):
    with tempfile.TemporaryDirectory() as home:
        any_steps_give_back_what_went_in(f"{home}/store.sqlite", steps)


@settings(examples(10), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STEPS)
def test_any_sequence_of_keeping_and_opening_again_on_postgresql(cluster, steps):
    any_steps_give_back_what_went_in(database_schema(cluster), steps)
