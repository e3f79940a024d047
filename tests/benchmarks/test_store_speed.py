"""The store against bare sqlite3 with the same records read, and how reading a history grows.

When written, on a busy machine: 1000 results, each on disk before the next, take 1.2 times what bare sqlite3 takes for
the same; one quantity's history costs the same a row whatever else there is, and however long it is.
"""

from __future__ import annotations

import contextlib
import sqlite3
import statistics
import zlib
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from harness.base.clock import WallClock
from harness.record import read
from harness.store import Store
from tests.benchmarks.measure import least
from tests.benchmarks.rows import fill
from tests.software.store.records import NAME, STARTED, written

pytestmark = pytest.mark.slow

CLOCK = WallClock()
RESULTS = 1000
ROUNDS = 10
"""In turns, so that both meet the same disk."""


def seconds_of(act, *arguments) -> float:
    begin_s = CLOCK.now_s()
    act(*arguments)
    return CLOCK.now_s() - begin_s


class Bare:
    """What one would write by hand: the same rows from the same folders, a transaction each, as durable."""

    def __init__(self, place: Path) -> None:
        with Store.open(place.with_name("like.sqlite"), make=True) as like, like._database.reading() as connection:
            wanted = "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND type <> 'trigger'"
            made = connection.exec_driver_sql(wanted).scalars().all()
        self.connection = sqlite3.connect(place, isolation_level=None)
        for words in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", "PRAGMA foreign_keys=ON", *made):
            self.connection.execute(words)

    def keep(self, folder: Path) -> None:
        record = read(folder)  # as anybody reads one: what is damaged is refused here, too
        firmware = record.firmware
        assert firmware is not None
        ended = None if record.ended is None else record.ended.isoformat()
        run = (
            None, str(folder), STARTED, record.started.isoformat(), ended, record.rig.name, record.rig.sha256,
            record.simulated, record.board.unique_id, firmware.name, firmware.version, record.hashes.firmware, None,
            record.seed, record.finished, record.exit_code, "", None,
        )  # fmt: skip
        measured, outcomes = record.measurement_entries[0], [outcome for _, outcome in record.outcomes]
        execute = self.connection.execute
        execute("BEGIN IMMEDIATE")
        run_id = execute(f"INSERT INTO run VALUES ({', '.join('?' * len(run))})", run).lastrowid
        execute("INSERT INTO record VALUES (?, ?)", (run_id, zlib.compress(record.data)))
        rows = [
            (NAME, run_id, "stiffness", "leaf", measured.value, measured.u, measured.unit, measured.dof, *outcomes[:2]),
            ("together.supply_sag", run_id, "together", "", None, None, "", None, "not run", None),
            ("leaf.step.limits", run_id, "step", "leaf", None, None, "", None, None, "nonconforming"),
        ]  # fmt: skip
        self.connection.executemany("INSERT INTO quantity VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        execute("COMMIT")


def test_1000_durable_results_take_at_most_half_as_long_again_as_with_bare_sqlite3(tmp_path):
    folders = [written(tmp_path / "runs" / str(k), seed=k, observations=()) for k in range(RESULTS)]
    parts = [folders[k::ROUNDS] for k in range(ROUNDS)]

    def all_of(keep, part: list[Path]) -> None:
        for folder in part:
            keep(folder)

    bare = Bare(tmp_path / "bare.sqlite")
    with Store.open(tmp_path / "store.sqlite", make=True) as store:
        taken = [(seconds_of(all_of, store.keep, part), seconds_of(all_of, bare.keep, part)) for part in parts]
        assert len(store.values(NAME, "sluice")) == RESULTS
    assert bare.connection.execute("SELECT count(*) FROM quantity").fetchone() == (3 * RESULTS,)
    ours_s, bare_s = (statistics.median(side) for side in zip(*taken, strict=True))  # wall time: most is the disk
    each_ms = [1e3 * side / len(parts[0]) for side in (ours_s, bare_s)]
    print(f"a result: {each_ms[0]:.2f} ms, bare sqlite3 {each_ms[1]:.2f} ms, {ours_s / bare_s:.2f} times")  # noqa: T201
    assert ours_s <= 1.5 * bare_s


@contextlib.contextmanager
def filled(place: Path, runs: int, quantities: int) -> Iterator[Store]:
    """A store of `runs` runs with `quantities` each, added without records: a history does not read them."""
    with Store.open(place, make=True) as store:
        fill(store, runs, [NAME, *(f"leaf.step.other{k}" for k in range(quantities - 1))])
        yield store


def a_row_s(stores: dict[int, tuple[Store, int]], rounds: int) -> dict[int, float]:
    """For each store, with its history's length: processor time a row."""

    def read(store: Store, length: int) -> None:
        assert len(store.values(NAME, "sluice")) == length

    whole = least({key: partial(read, *entry) for key, entry in stores.items()}, rounds)
    each = {key: time_s / stores[key][1] for key, time_s in whole.items()}
    print("us a row:", {key: round(1e6 * time_s, 2) for key, time_s in each.items()})  # noqa: T201
    return each


TOTALS = (1_000, 10_000, 100_000, 1_000_000)


def test_a_history_costs_the_same_among_1e3_and_among_1e6_rows(tmp_path):
    with contextlib.ExitStack() as opened:
        stores = {
            total: (opened.enter_context(filled(tmp_path / f"{total}.sqlite", 1_000, total // 1_000)), 1_000)
            for total in TOTALS
        }
        times_s = a_row_s(stores, rounds=20)
    assert max(times_s.values()) <= 1.5 * times_s[1_000]


def test_a_history_of_1e3_and_of_1e6_rows_costs_the_same_a_row(tmp_path):
    with contextlib.ExitStack() as opened:
        stores = {
            length: (opened.enter_context(filled(tmp_path / f"{length}.sqlite", length, 1)), length)
            for length in TOTALS
        }
        times_s = a_row_s(stores, rounds=3)
    assert max(times_s.values()) <= 2 * times_s[1_000]
