"""Studies come back as they were made, the newest of a rig is found, and nothing changes them."""

from __future__ import annotations

import zlib

import pytest
import sqlalchemy

from harness.base.errors import StoreError
from harness.store import Store, tables

CONTENT = {"quantities": [{"name": "leaf.step.delay", "grr": 1.5e-4}], "runs": [1, 2]}


@pytest.fixture
def store(place):
    with Store.open(place, make=True) as opened:
        yield opened


def test_what_was_found_comes_back(store):
    made = store.studies.add("gauge", "sluice", True, CONTENT)
    assert (made.kind, made.rig, made.simulated, made.content) == ("gauge", "sluice", True, CONTENT)
    assert store.studies.get(made.id) == made
    assert store.studies.all() == store.studies.all("gauge") == [made]
    assert store.studies.all("capability") == []
    with pytest.raises(StoreError, match="no study 77"):
        store.studies.get(77)


def test_studies_are_of_one_kind_one_rig_and_one_sort_of_bench_the_newest_last(store):
    assert store.studies.all("gauge", "sluice", simulated=True) == []
    store.studies.add("gauge", "sluice", True, {})
    last = store.studies.add("gauge", "sluice", True, CONTENT)
    for kind, rig, simulated in (("gauge", "sluice", False), ("gauge", "wheel", True), ("capability", "sluice", True)):
        store.studies.add(kind, rig, simulated, {})
    assert [study.content for study in store.studies.all("gauge", "sluice", simulated=False)] == [{}]
    assert [study.id for study in store.studies.all("gauge", "sluice", simulated=True)] == [last.id - 1, last.id]
    assert len(store.studies.all("gauge", "sluice")) == 3


def test_nothing_of_a_study_changes(store):
    store.studies.add("gauge", "sluice", True, CONTENT)
    for words in ("UPDATE study SET rig = 'other'", "DELETE FROM study"):
        with (
            pytest.raises(sqlalchemy.exc.DBAPIError, match="a store is only added to"),
            store._database._engine.begin() as connection,
        ):
            connection.exec_driver_sql(words)
    assert store.studies.all()[0].content == CONTENT


def test_a_damaged_study_takes_nothing_away_from_the_others(store):
    made = store.studies.add("gauge", "sluice", True, CONTENT)
    for number, data in enumerate((b"no zlib", zlib.compress(b"{"), zlib.compress(b"[1]")), start=made.id + 1):
        row = {
            "id": number,
            "made_utc": "2026-01-01",
            "kind": "gauge",
            "rig": "sluice",
            "simulated": True,
            "json": data,
        }
        with store._database._engine.begin() as connection:
            connection.execute(sqlalchemy.insert(tables.study), row)
        with pytest.raises(StoreError, match="a study is damaged"):
            store.studies.get(number)
    assert [study.content for study in store.studies.all("gauge", "sluice")] == [CONTENT, {}, {}, {}]
