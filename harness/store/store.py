"""The store: keep records of runs for good, and find them again.

What was acknowledged (a method has returned) survives a killed process and a full disk: raw observations are on disk
before the one transaction that names them, and that transaction is on disk before it is acknowledged.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from operator import attrgetter
from pathlib import Path
from typing import Any, NamedTuple, Self

from sqlalchemy import select

from harness.base.clock import utc_now
from harness.base.closable import Closable
from harness.base.errors import RecordError, StoreError
from harness.base.words import visible
from harness.record import Record
from harness.record.entries import ObservationEntry
from harness.store import tables
from harness.store.adding import Adding
from harness.store.address import DEFAULT, Address
from harness.store.baselines import Baselines
from harness.store.database import Database
from harness.store.decisions import Decisions
from harness.store.histories import Histories
from harness.store.raw import Raw, RawFolder, RawTable
from harness.store.rows import RecordRows, rows_of, text_from, uid_of
from harness.store.studies import Studies


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun:
    """A run in the store. `exit_code` is None and `finished` false where the run was killed."""

    id: int
    uid: str
    kept_utc: str
    started_utc: str
    rig: str
    rig_sha256: str
    simulated: bool
    board_id: str
    firmware_name: str | None
    firmware_version: str | None
    firmware_sha256: str | None
    lot: str | None
    seed: int | None
    finished: bool
    exit_code: int | None
    remark: str
    """What was odd when it was kept: a clock set back."""
    board_name: str | None = None
    """What a person called the board."""


class Value(NamedTuple):
    """One quantity in one run. `dof` is None where it is infinite; the words are those of the run's verdicts."""

    run_id: int
    started_utc: str
    value: float
    u: float
    unit: str
    dof: float | None
    outcome: str | None
    conformity: str | None
    simulated: bool
    board_id: str
    firmware_version: str | None


COLUMNS = tuple(entry.name for entry in fields(StoredRun))
RUNS = select(*(tables.run.c[name].label(name) for name in COLUMNS))


BY_START = attrgetter("started_utc", "run_id")


class Store(Closable):
    """An opened store: one thread, one process; a context manager."""

    def __init__(self, database: Database) -> None:
        self._database = database
        folder = database.address.raw
        self._raw: Raw = RawTable(database) if folder is None else RawFolder(folder)

    @classmethod
    def open(cls, address: Address | str | Path = DEFAULT, *, make: bool = False) -> Self:
        """Open the store at an address; with `make`, make it where there is none yet.

        Raises:
            StoreError: no store there, something else, or one of a newer version.
            StoreUnavailable: it cannot be reached or used now.
        """
        return cls(Database(address if isinstance(address, Address) else Address.parse(address), make=make))

    @property
    def address(self) -> Address:
        """Where this store is."""
        return self._database.address

    @property
    def baselines(self) -> Baselines:
        """Its baselines."""
        return Baselines(self._database)

    @property
    def decisions(self) -> Decisions:
        """Its decisions of release gates."""
        return Decisions(self._database)

    @property
    def histories(self) -> Histories:
        """Its runs taken together."""
        return Histories(self._database)

    @property
    def studies(self) -> Studies:
        """Its studies of several runs."""
        return Studies(self._database)

    def close(self) -> None:
        """Leave the store; a second time does nothing."""
        self._database.close()

    def keep(self, folder: Path) -> StoredRun:
        """Keep the record in a folder, finished or not, with its raw observations; on disk when this returns.

        The same record twice is one run: the second time only puts back raw files that have gone missing.

        Raises:
            RecordError: there is no whole record; nothing is kept of it.
            StoreUnavailable: cannot be written; nothing is kept of it, and nothing kept before is lost.
        """
        rows = rows_of(folder)
        self._raw.put(rows.raw)
        with self._database.adding() as adding:
            known = adding.first("SELECT id FROM run WHERE uid = ?", rows.run["uid"])
            added = _add(adding, rows) if known is None else None
        return self.run(known[0]) if added is None else _run(added)

    def run(self, run_id: int) -> StoredRun:
        """A run by its id. Raises StoreError."""
        with self._database.reading() as connection:
            row = connection.execute(RUNS.where(tables.run.c.id == run_id)).first()
        if row is None:
            raise StoreError(f"{self.address.shown}: no run {run_id}")
        return _run(row._mapping)

    def runs(
        self,
        *,
        rig: str | None = None,
        simulated: bool | None = None,
        board_id: str | None = None,
        board_name: str | None = None,
        firmware_version: str | None = None,
        lot: str | None = None,
        newest: int | None = None,
    ) -> list[StoredRun]:
        """Runs in the order they were started; only those of a rig, board, firmware or lot where one is given, and of
        those only the `newest` so many."""
        asked = {
            "rig": rig, "simulated": simulated, "board_id": board_id, "board_name": board_name,
            "firmware_version": firmware_version, "lot": lot,
        }  # fmt: skip
        wanted = RUNS.order_by(tables.run.c.started_utc.desc(), tables.run.c.id.desc()).limit(newest)
        for column, value in asked.items():
            if value is not None:
                wanted = wanted.where(tables.run.c[column] == value)
        with self._database.reading() as connection:
            return [_run(row._mapping) for row in connection.execute(wanted)][::-1]

    def record(self, run_id: int) -> Record:
        """The record of a run, its observations read when asked for. Raises StoreError, RecordError.

        Rows that are no longer those that were kept are damaged, whatever they say. Its folder only says in messages
        where it is from.
        """
        place = Path(self.address.shown.removeprefix("postgresql://")) / f"run {run_id}"
        text = self.text(run_id)
        names = select(tables.observation.c.name, tables.observation.c.sha256)
        with self._database.reading() as connection:
            rows = connection.execute(names.where(tables.observation.c.run_id == run_id)).all()
            uid = connection.scalar(select(tables.run.c.uid).where(tables.run.c.id == run_id))
        hashes = {row.name: row.sha256 for row in rows}

        def raw(entry: ObservationEntry) -> bytes:
            name = visible(entry.name)
            if name not in hashes:
                raise RecordError(f"{place}: damaged: no observation {name} was kept of it")
            return self._raw.get(hashes[name], f"observation {name} of run {run_id}")

        record = Record(place, text, raw=raw)
        known = {entry.name: hashes.get(visible(entry.name), "") for entry in record.observation_entries}
        if len(rows) != len(known) or uid_of(record, known) != uid:
            raise RecordError(f"{place}: damaged: its rows are no longer those that were kept")
        return record

    def text(self, run_id: int) -> bytes:
        """record.json of a run, byte for byte. Raises StoreError, RecordError."""
        with self._database.reading() as connection:
            data = connection.scalar(select(tables.record.c.json).where(tables.record.c.run_id == run_id))
        if data is None:
            raise StoreError(f"{self.address.shown}: no run {run_id}")
        try:
            return text_from(data)
        except zlib.error as error:
            raise RecordError(f"{self.address.shown}: run {run_id} is damaged: {error}") from error

    def values(self, name: str, rig: str, *, simulated: bool | None = None) -> list[Value]:
        """The history of one quantity on a rig: every run that measured it, in the order they were started.

        `name` is the quantity's full name. Where `simulated` is None, real and simulated runs come together, and each
        says which it is.
        """
        run, quantity = tables.run.c, tables.quantity.c
        columns = [run[word] if word in run else quantity[word] for word in Value._fields]
        wanted = (
            select(*columns)
            .select_from(tables.quantity.join(tables.run, run.id == quantity.run_id))
            .where(quantity.name == name, run.rig == rig, quantity.value.is_not(None))
            .order_by(quantity.run_id)
        )
        if simulated is not None:
            wanted = wanted.where(run.simulated == simulated)
        with self._database.reading() as connection:
            values = [Value(*row) for row in connection.execute(wanted)]
        # They come as they lie, nearly sorted: here that costs little, in SQLite a sort of so many wide rows on disk.
        values.sort(key=BY_START)
        return values


def _add(adding: Adding, rows: RecordRows) -> Mapping[str, Any]:
    now = utc_now().isoformat(timespec="milliseconds")
    before = adding.first("SELECT kept_utc FROM run ORDER BY id DESC LIMIT 1")
    remark = ""
    if before is not None and now < before[0]:
        remark = f"kept when the clock said {now}, after a run that was kept at {before[0]}: the clock was set back"
    elif rows.run["started_utc"] > now:
        remark = f"kept when the clock said {now}, before the run was started: the clock was set back"
    run = {**rows.run, "kept_utc": now, "remark": remark}
    run_id = adding.add_one(tables.run, run)
    adding.add(tables.record, [{"run_id": run_id, "json": rows.json}])
    for table, entries in ((tables.quantity, rows.quantities), (tables.observation, rows.observations)):
        adding.add(table, [{**entry, "run_id": run_id} for entry in entries])
    return {**run, "id": run_id}


def _run(row: Mapping[Any, Any]) -> StoredRun:
    return StoredRun(**{name: row[name] for name in COLUMNS})
