"""Decisions of release gates come back as they were made, and nothing changes them."""

from __future__ import annotations

import zlib

import pytest
import sqlalchemy

from harness.base.errors import StoreError
from harness.store import Store, tables
from tests.software.store.records import written

CONTENT = {"policy": "schema = 1\n", "reasons": ["leaf.step.delay: different"]}
COLUMNS = {
    "rig": "sluice",
    "simulated": True,
    "word": "refuse",
    "exit_code": 1,
    "firmware_name": "drive",
    "firmware_version": "1.5.0",
    "firmware_sha256": "cd" * 32,
    "policy_sha256": "ef" * 32,
}


@pytest.fixture
def store(place, tmp_path):
    with Store.open(place, make=True) as opened:
        for number in range(3):
            opened.keep(written(tmp_path / f"{number}", seed=number))
        opened.baselines.accept("spring", [1], by_whom="M. Keeper", why="a test")
        yield opened


def test_what_was_decided_comes_back(store):
    made = store.decisions.add([3, 2], CONTENT, baseline_id=1, **COLUMNS)
    assert (made.word, made.exit_code, made.runs, made.content) == ("refuse", 1, (2, 3), CONTENT)
    assert store.decisions.get(made.id) == made
    other = store.decisions.add([], {}, baseline_id=1, **{**COLUMNS, "rig": "handwheel", "simulated": False})
    assert store.decisions.all() == [made, other]
    assert store.decisions.all("sluice") == store.decisions.all(simulated=True) == [made]
    with pytest.raises(StoreError, match="no decision 77"):
        store.decisions.get(77)


def test_nothing_of_a_decision_changes(store):
    store.decisions.add([2], CONTENT, baseline_id=1, **COLUMNS)
    for words in ("UPDATE decision SET word = 'release'", "DELETE FROM decision_run", "DELETE FROM decision"):
        with (
            pytest.raises(sqlalchemy.exc.DBAPIError, match="a store is only added to"),
            store._database._engine.begin() as connection,
        ):
            connection.exec_driver_sql(words)
    assert store.decisions.all()[0].word == "refuse"


def test_a_decision_on_a_run_that_is_not_there_leaves_nothing(store):
    with pytest.raises(Exception, match=r"(?i)foreign key"):
        store.decisions.add([2, 77], CONTENT, baseline_id=1, **COLUMNS)
    assert store.decisions.all() == []


@pytest.mark.parametrize("data", [b"no zlib", zlib.compress(b"{")])
def test_a_damaged_decision_is_an_error_in_one_line(store, data):
    with store._database._engine.begin() as connection:
        connection.execute(
            sqlalchemy.insert(tables.decision), {**COLUMNS, "made_utc": "2026-01-01", "baseline_id": 1, "json": data}
        )
    with pytest.raises(StoreError, match="a decision is damaged"):
        store.decisions.all()
