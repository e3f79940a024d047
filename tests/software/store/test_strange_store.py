"""A store that a stranger made: refused in one line, whatever was put in the place of a table, a row or a value."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.base.errors import ExitCode, RecordError, StoreError, StoreUnavailable
from harness.base.words import OLDER_WORD
from harness.command.main import main
from harness.record.record import FILE
from harness.store import Store
from harness.store.fetch import fetch
from harness.store.packed import LARGEST
from tests.examples import rounds
from tests.software.store.records import written

BLANKS = b" " * (1 << 24)


def bomb() -> bytes:
    """A quarter of a megabyte that becomes a quarter of a gigabyte."""
    packing = zlib.compressobj(9)
    return b"".join(packing.compress(BLANKS) for _ in range(16)) + packing.flush()


@contextlib.contextmanager
def changed(file: Path) -> Iterator[sqlite3.Connection]:
    """A store as whoever has a file may change it: without the triggers that refuse it, which come back."""
    with contextlib.closing(sqlite3.connect(file, isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for name, words in triggers:
            if name.rpartition("_no_")[0] in there:
                connection.execute(words)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a baseline, in a folder of its own."""
    folder = tmp_path_factory.mktemp("sound")
    with Store.open(folder / "store.sqlite", make=True) as store:
        for number in range(4):
            store.keep(written(folder / f"run-{number}", seed=number, version=f"1.{number // 2}.0"))
        store.baselines.accept("spring", [1, 2, 3], by_whom="M. Keeper", why="first", despite="a test")
    return folder


@pytest.fixture
def file(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(sound, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path / "work" / "store.sqlite"


def test_a_record_unpacks_to_so_much_and_no_more(file: Path, tmp_path: Path) -> None:
    data = bomb()
    assert len(data) < 300_000
    with changed(file) as connection:
        connection.execute("UPDATE record SET json = ? WHERE run_id = 1", (data,))
    with Store.open(file) as store:
        with pytest.raises(RecordError, match=f"run 1 is damaged: expected at most {LARGEST} bytes"):
            fetch(store, 1, tmp_path / "out")
        assert store.record(2).finished
    assert not (tmp_path / "out").exists()


def test_a_record_that_could_not_be_read_again_is_not_kept(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record = file.with_name("run-0") / FILE
    record.write_bytes(record.read_bytes() + b" " * LARGEST)
    with Store.open(file) as store, pytest.raises(RecordError, match=f"a record of at most {LARGEST} bytes"):
        store.keep(record.parent)


@pytest.mark.parametrize("table", ["run", "store", "baseline", "quantity"])
def test_a_view_that_has_no_end_is_not_asked(file: Path, table: str) -> None:
    with changed(file) as connection:
        connection.execute(f"ALTER TABLE {table} RENAME TO aside")
        connection.execute(
            f"CREATE VIEW {table} AS WITH RECURSIVE n(id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM n) SELECT id FROM n"
        )
    with pytest.raises(StoreError, match=f"{table} is a view; it is not opened|not a store: holds other tables"):
        Store.open(file)


def test_a_trigger_that_acts_when_a_run_is_kept_is_refused(file: Path) -> None:
    with contextlib.closing(sqlite3.connect(file, isolation_level=None)) as connection:
        connection.execute(
            "CREATE TRIGGER more AFTER INSERT ON run BEGIN INSERT INTO raw VALUES ('a', zeroblob(9)); END"
        )
    with pytest.raises(StoreError, match="not as rotorgate made it: a trigger more that it does not have"):
        Store.open(file, make=True)


@pytest.mark.parametrize("sha256", ["../../precious", "", "ab" * 31, "AB" * 32, "ab" * 31 + "\0/", "\x1b[2J"])
def test_a_hash_that_is_none_becomes_no_path(file: Path, sha256: str) -> None:
    with changed(file) as connection:
        connection.execute("UPDATE observation SET sha256 = ?", (sha256,))
    with (
        Store.open(file) as store,
        pytest.raises(RecordError, match="its rows are no longer those that were kept"),
    ):
        store.record(1)
    with Store.open(file) as store, pytest.raises(RecordError, match="expected a SHA-256 of 64 digits") as caught:
        store._raw.get(sha256, "an observation")
    assert str(caught.value).isprintable()


def test_an_observation_that_was_not_kept_is_said(file: Path) -> None:
    with changed(file) as connection:
        connection.execute("DELETE FROM observation")
    with Store.open(file) as store, pytest.raises(RecordError, match="its rows are no longer those that"):
        store.record(1)


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_nothing_is_kept_through_a_link_in_the_folder_of_observations(file: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    for folder in file.with_name("store.sqlite.raw").iterdir():
        shutil.rmtree(folder)
        folder.symlink_to(tmp_path / "elsewhere")
    with Store.open(file) as store, pytest.raises(StoreUnavailable, match="a link, which is not followed"):
        store.keep(file.with_name("run-0"))
    assert not list((tmp_path / "elsewhere").iterdir())


COMMANDS = (
    ["history"],
    ["fetch", "1", "--out", "out"],
    ["baseline", "list"],
    ["baseline", "show", "spring", "4"],
    ["study", "gauge", "1", "2"],
    ["study", "capability", "--lot", "a"],
)
VALUES = ("'x'", "x'00ff'", "9e999", "-1", "'a' || char(27) || 'b'", "0.5")
PLACES = (
    "run.id", "run.started_utc", "run.rig", "run.exit_code", "run.seed", f"run.{OLDER_WORD}", "quantity.value",
    "quantity.u",
    "quantity.name", "quantity.outcome", "quantity.run_id", "record.json", "record.run_id", "observation.name",
    "baseline.name", "baseline.revision", "baseline.accepted_utc", "baseline_run.run_id", "baseline_run.baseline_id",
    "baseline_run.mounting", "store.version", "store.rotorgate",
)  # fmt: skip


@pytest.mark.parametrize("number", range(len(PLACES)), ids=PLACES)
def test_no_value_of_a_row_is_a_defect_of_ours(file: Path, number: int, capsys: pytest.CaptureFixture[str]) -> None:
    table, column = PLACES[number].split(".")
    before = file.read_bytes()
    # Of fewer rounds than there are values and commands, each place has others of both.
    commands = [COMMANDS[(number + each) % len(COMMANDS)] for each in range(rounds(len(COMMANDS)))]
    for value in [VALUES[(number + each) % len(VALUES)] for each in range(rounds(len(VALUES)))]:
        with changed(file) as connection, contextlib.suppress(sqlite3.Error):  # two rows of one key, a key that is none
            connection.execute(f"UPDATE {table} SET {column} = {value}")
        for command in commands:
            code = main([*command, "--store", str(file)])
            said = capsys.readouterr()
            assert code in set(ExitCode) - {ExitCode.DEFECT}, (value, command, said.err)
            assert (said.out + said.err).replace("\n", "").isprintable()
        for ending in ("-wal", "-shm"):
            file.with_name(file.name + ending).unlink(missing_ok=True)
        shutil.rmtree("out", ignore_errors=True)
        file.write_bytes(before)
