"""The page of histories over a store of 1e3 to 1e6 measured values.

When written, on a busy machine: 1.8 s from the command to the file over 1e6 values, 0.7 s of it for the page; a value
more costs 0.5 us. How fast the machine is does not count here: the command is set against bare Python that loads the
same libraries and has SQLite sum up the same values.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import subprocess
import sys
import zlib
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from harness.checks.catalogue import CHECKS, quantities_of
from harness.history import read_history, render
from harness.history.watch import WATCHED_RUNS
from harness.store import Store, tables
from harness.store.rows import uid_of
from tests.benchmarks.measure import least
from tests.benchmarks.rows import fill
from tests.software.compare.records import quantity, record
from tests.software.record.contents import edited

pytestmark = pytest.mark.slow

TOTALS = (1_000, 10_000, 100_000, 1_000_000)
VERSIONS = 30
READ = WATCHED_RUNS
"""Newest runs of which a page reads the records."""
MOST = 1.5
"""The command, from start to written page of 1e6 values, in processor times of BARE."""
BARE = """
import sqlite3, sys
import jinja2, pydantic, scipy.special, sqlalchemy
values = "SELECT count(*) AS n, avg(value) FROM quantity JOIN run ON run.id = run_id GROUP BY name, firmware_version"
print(*sqlite3.connect(sys.argv[1]).execute(f"SELECT sum(n) FROM ({values})").fetchone())
"""
NAMES = [
    f"{motor}.{check.name}.{name}"
    for motor in ("leaf", "wheel")
    for check in CHECKS
    if check.per_motor
    for name in quantities_of(check, ())
][:44]


@contextlib.contextmanager
def filled(place: Path, total: int) -> Iterator[Store]:
    """A store of about `total` values of 44 quantities over 30 firmware versions, rows made where they lie; the
    records that a page reads are there, without curves."""
    runs = -(-total // len(NAMES))
    with Store.open(place, make=True) as store:
        records = {}
        for k in range(max(runs - READ, 0), runs):
            values = {name: quantity(0.65 + 1e-4 * (k * 7 % 11)) for name in NAMES}
            records[k] = edited(record(values, k, simulated=True), exit_code=0)
        fill(store, runs, NAMES, VERSIONS, [uid_of(each, {}) for each in records.values()])
        with store._database.adding() as adding:
            for k, each in records.items():
                adding.add(tables.record, [{"run_id": k + 1, "json": zlib.compress(each.data)}])
        yield store


def page(store: Store, place: Path) -> int:
    text = render(read_history(store), beside=place)
    (place / "history.html").write_text(text, encoding="utf-8")
    return len(text)


def test_the_page_of_1e6_values_soon_after_bare_python_and_flat_per_value(tmp_path):
    with contextlib.ExitStack() as opened:
        stores = {total: opened.enter_context(filled(tmp_path / f"{total}.sqlite", total)) for total in TOTALS}
        whole = least({total: (lambda store=store: page(store, tmp_path)) for total, store in stores.items()}, rounds=3)
        each = {total: 1e6 * time_s / total for total, time_s in whole.items()}
        (found,) = read_history(stores[TOTALS[-1]]).rigs
    print("ms a page:", {total: round(1e3 * time_s) for total, time_s in whole.items()})  # noqa: T201
    print("us a value:", {total: round(value, 2) for total, value in each.items()})  # noqa: T201
    assert found.watched.runs == READ, "the look for drift is part of what is timed"
    assert sum(level.runs for history in found.quantities for level in history.levels.values()) >= TOTALS[-1]
    assert all(each[after] <= each[before] for before, after in itertools.pairwise(TOTALS))

    place = str(tmp_path / f"{TOTALS[-1]}.sqlite")
    commands = {
        "ours": [sys.executable, "-m", "harness.command.main", "history", "--store", place],
        "bare": [sys.executable, "-c", BARE, place],
    }
    as_installed = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    run = partial(subprocess.run, check=True, capture_output=True, text=True, env=as_installed)
    assert int(run(commands["bare"]).stdout) >= TOTALS[-1]
    whole_s = least({key: partial(run, words) for key, words in commands.items()}, rounds=12)
    ratio = whole_s["ours"] / whole_s["bare"]
    print(f"{TOTALS[-1]} values: {whole_s['ours']:.2f} s, bare {whole_s['bare']:.2f} s, {ratio:.2f} times")  # noqa: T201
    assert ratio <= MOST
