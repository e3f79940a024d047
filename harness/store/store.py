"""The store: keep records of runs for good, and find them again.

What was acknowledged (a method has returned) survives a killed process and a full disk: raw observations are on disk
before the one transaction that names them, and that transaction is on disk before it is acknowledged.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, NamedTuple, Self

from sqlalchemy import Connection, Row, Select, select
from sqlalchemy.exc import IntegrityError

from harness.clock import utc_now
from harness.closing import Closing
from harness.errors import RecordError, StoreError
from harness.record import Record, read
from harness.record.read import checked
from harness.store import tables
from harness.store.address import DEFAULT, Address
from harness.store.database import Database
from harness.store.raw import Raw, RawFolder, RawTable
from harness.store.rows import Rows, content_of, rows_of
from harness.words import visible


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRun:
    """A run in the store. `exit_code` is None and `finished` false where the run was killed."""

    id: int
    uid: str
    kept_utc: str
    started_utc: str
    rig: str
    rig_sha256: str
    virtual: bool
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
    virtual: bool
    board_id: str
    firmware_version: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRecord(Record):
    """A record out of a store; `folder` only says in messages where it is from."""

    open_raw: Callable[[Mapping[str, Any]], bytes] = field(repr=False)

    def raw(self, entry: Mapping[str, Any]) -> bytes:
        """The .npy file of an observation's entry. Raises RecordError."""
        return self.open_raw(entry)


class Store(Closing):
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
        rows = rows_of(read(folder))
        self._raw.put(rows.raw)
        with self._database.writing() as connection:
            run_id = _known(connection, rows) or self._add(connection, rows)
            return _run(connection.execute(_runs().where(tables.run.c.id == run_id)).one())

    def run(self, run_id: int) -> StoredRun:
        """A run by its id. Raises StoreError."""
        with self._database.reading() as connection:
            found = connection.execute(_runs().where(tables.run.c.id == run_id)).first()
        if found is None:
            raise StoreError(f"{self.address.shown}: no run {run_id}")
        return _run(found)

    def runs(
        self,
        *,
        rig: str | None = None,
        virtual: bool | None = None,
        board_id: str | None = None,
        firmware_version: str | None = None,
        lot: str | None = None,
    ) -> list[StoredRun]:
        """Runs in the order they were started; only those of a rig, board, firmware or lot where one is given."""
        asked = {
            "rig": rig, "virtual": virtual, "board_id": board_id, "firmware_version": firmware_version, "lot": lot,
        }  # fmt: skip
        wanted = _runs().order_by(tables.run.c.started_utc, tables.run.c.id)
        for column, value in asked.items():
            if value is not None:
                wanted = wanted.where(tables.run.c[column] == value)
        with self._database.reading() as connection:
            return [_run(row) for row in connection.execute(wanted)]

    def record(self, run_id: int) -> Record:
        """The record of a run, its observations read when asked for. Raises StoreError, RecordError."""
        place = Path(self.address.shown) / f"run {run_id}"
        wanted = select(tables.record.c.json).where(tables.record.c.run_id == run_id)
        named = select(tables.observation.c.name, tables.observation.c.sha256)
        with self._database.reading() as connection:
            data = connection.scalar(wanted)
            hashes = {
                row.name: row.sha256 for row in connection.execute(named.where(tables.observation.c.run_id == run_id))
            }
        if data is None:
            raise StoreError(f"{self.address.shown}: no run {run_id}")

        def open_raw(entry: Mapping[str, Any]) -> bytes:
            name = visible(str(entry["name"]))
            return self._raw.get(hashes[name], f"observation {name} of run {run_id}")

        try:
            content = content_of(data)
        except Exception as error:
            raise RecordError(f"{place}: damaged: {error}") from error
        return KeptRecord(folder=place, content=checked(content, place), open_raw=open_raw)

    def values(self, name: str, rig: str, *, virtual: bool | None = None) -> list[Value]:
        """The history of one quantity on a rig: every run that measured it, in the order they were started.

        `name` is the quantity's full name. Where `virtual` is None, real and virtual runs come together, and each
        says which it is.
        """
        run, quantity = tables.run.c, tables.quantity.c
        columns = [run[word] if word in run else quantity[word] for word in Value._fields]
        wanted = (
            select(*columns)
            .select_from(tables.quantity.join(tables.run, run.id == quantity.run_id))
            .where(quantity.name == name, run.rig == rig, quantity.value.is_not(None))
            .order_by(run.started_utc, run.id)
        )
        if virtual is not None:
            wanted = wanted.where(run.virtual == virtual)
        with self._database.reading() as connection:
            return [Value(*row) for row in connection.execute(wanted)]

    def _add(self, connection: Connection, rows: Rows) -> int:
        now = utc_now().isoformat(timespec="milliseconds")
        before = connection.scalar(select(tables.run.c.kept_utc).order_by(tables.run.c.id.desc()).limit(1))
        remark = ""
        if before is not None and now < before:
            remark = f"kept when the clock said {now}, after a run that was kept at {before}: the clock was set back"
        elif rows.run["started_utc"] > now:
            remark = f"kept when the clock said {now}, before the run was started: the clock was set back"
        added = {**rows.run, "kept_utc": now, "remark": remark}
        try:
            with connection.begin_nested():
                key = connection.execute(tables.run.insert(), added).inserted_primary_key
        except IntegrityError:
            known = _known(connection, rows)  # another process was quicker with the same record
            if known is None:
                raise
            return known
        run_id = int(key[0])  # type: ignore[index]
        connection.execute(tables.record.insert(), {"run_id": run_id, "json": rows.json})
        for table, entries in ((tables.quantity, rows.quantities), (tables.observation, rows.observations)):
            if entries:
                connection.execute(table.insert(), [{**entry, "run_id": run_id} for entry in entries])
        return run_id


def _known(connection: Connection, rows: Rows) -> int | None:
    return connection.scalar(select(tables.run.c.id).where(tables.run.c.uid == rows.run["uid"]))


def _runs() -> Select[Any]:
    return select(*(tables.run.c[entry.name] for entry in fields(StoredRun)))


def _run(row: Row[Any]) -> StoredRun:
    return StoredRun(**row._mapping)
