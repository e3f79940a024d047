"""The database under a store: opened, recognised, raised to this version, its errors put into one line."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy import Connection, Engine, event, inspect, select
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

from harness.base.clock import WallClock, utc_now
from harness.base.errors import StoreError, StoreUnavailable
from harness.base.words import visible
from harness.store import tables
from harness.store.adding import Adding
from harness.store.address import Address
from harness.store.kinds import WrongValue

BUSY_S = 30.0
"""Longest wait for another process that is writing (arbitrary; keeping a run takes well under a second)."""
RETRY_S = 0.05
"""Pause where SQLite itself does not wait: between two who make the same store at once (arbitrary)."""
CONNECT_S = 10
"""Longest wait for a database server (arbitrary)."""
WRITING = 0x524F_544F
"""PostgreSQL advisory lock of whoever writes (arbitrary): one at a time, as SQLite has it, so that ids rise in the
order in which runs are kept and a record that two keep at once is one run."""
ALONE = {"sqlite": "BEGIN IMMEDIATE", "postgresql": f"SELECT pg_advisory_xact_lock({WRITING})"}
"""By dialect: begin, and be the only one who writes until the end."""

WORDS_OF_SQLITE = {
    "SQLITE_NOTADB": "not a store: expected a file that rotorgate made",
    "SQLITE_CORRUPT": "damaged; copy it away before anything else, then restore it from a backup",
    "SQLITE_FULL": "the disk is full; nothing that was kept is lost",
    "SQLITE_IOERR": "the disk refuses (full, or a limit on the size of files?); nothing that was kept is lost",
    "SQLITE_BUSY": f"another process has been writing for {BUSY_S:.0f} s; try again",
    "SQLITE_READONLY": "cannot write: no permission for the file or its folder",
    "SQLITE_CANTOPEN": "cannot open: no permission for the file or its folder",
    "SQLITE_PERM": "cannot open: no permission for the file or its folder",
}
"""By the error's name or the part of it before a second underscore."""
WRONG = ("SQLITE_NOTADB",)
"""Errors that say that this is no store, and not that it cannot be used now."""
WORDS_OF_POSTGRESQL = {
    "53100": "the database's disk is full; nothing that was kept is lost",
    "42501": "this user has no permission for the tables of the store",
    "25006": "the database is read-only",
    "55P03": WORDS_OF_SQLITE["SQLITE_BUSY"],
}
"""By SQLSTATE (PostgreSQL manual, appendix A)."""


class Database:
    """A store's database. One thread, one process."""

    def __init__(self, address: Address, *, make: bool) -> None:
        """Open what `address` names, and make it where there is nothing yet if `make`.

        Raises:
            StoreError: no store, something else, or one of a newer version.
            StoreUnavailable: cannot be reached or used now.
        """
        self.address = address
        self.read_only = False
        self._errors: tuple[type[Exception], ...] = (SQLAlchemyError, sqlite3.Error)
        with self._translated():
            engine = self._sqlite(make) if address.file is not None else self._postgresql()
            event.listen(engine, "begin", _begin)
            self._errors = (SQLAlchemyError, engine.dialect.loaded_dbapi.Error)
            self._engine = engine
            # SQLite's readers always see one moment.
            one_moment = {} if address.file is not None else {"isolation_level": "REPEATABLE READ"}
            self._reader = engine.execution_options(**one_moment)
            self._writer = engine.execution_options(writes=True)
        try:
            self._recognise(make)
        except BaseException:
            self.close()
            raise

    @property
    def dialect(self) -> str:
        """`sqlite` or `postgresql`."""
        return self._engine.dialect.name

    def close(self) -> None:
        """Leave the database."""
        self._engine.dispose()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads, all of it from one moment."""
        with self._translated(), self._reader.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that adds: on disk when this ends, or not at all."""
        self._may_add()
        with self._translated(), self._writer.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def adding(self) -> Iterator[Adding]:
        """The same for many small additions: a commit to a quick disk takes less time than SQLAlchemy around it."""
        self._may_add()
        with self._translated():
            pooled = self._engine.raw_connection()
            try:
                cursor = pooled.cursor()
                cursor.execute(ALONE[self.dialect])
                yield Adding(cursor, self.dialect)
                pooled.commit()
            except BaseException:
                pooled.rollback()
                raise
            finally:
                pooled.close()

    def _may_add(self) -> None:
        if self.read_only:
            raise StoreUnavailable(f"{self.address.shown}: {WORDS_OF_SQLITE['SQLITE_READONLY']}")

    def _recognise(self, make: bool) -> None:
        with self.reading() as connection:
            version = _version(connection, self.address.shown)
        if version is None and not make:
            raise StoreError(_absent(self.address.shown))
        if version == tables.VERSION:
            return
        if self.dialect == "sqlite" and not self.read_only:
            self._log_ahead()
        with self.writing() as connection:
            version = _version(connection, self.address.shown)  # another process may have been quicker
            if version is None:
                tables.create(connection)
            for older in range(version or tables.VERSION, tables.VERSION):
                tables.RAISES[older](connection)
            if version != tables.VERSION:
                connection.execute(
                    tables.store.insert(),
                    {
                        "version": tables.VERSION,
                        "format": tables.FORMAT,
                        "since_utc": utc_now().isoformat(timespec="seconds"),
                        "rotorgate": _own_version(),
                    },
                )

    def _sqlite(self, make: bool) -> Engine:
        file = self.address.file
        if file is None or (not make and not file.exists()):
            raise StoreError(_absent(self.address.shown))
        if make:
            file.parent.mkdir(parents=True, exist_ok=True)
        path = file.absolute()
        options = ""
        if path.exists() and not (_may_write(path.parent) and _may_write(path)):
            self.read_only = True
            # Without its log SQLite cannot share the file, but then nobody is writing to it either.
            unshared = not path.with_name(f"{path.name}-wal").exists()
            options = "?mode=ro&immutable=1" if unshared else "?mode=ro"
        uri = path.as_uri() + options

        def connect() -> sqlite3.Connection:
            connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)
            # The last: no function with side effects runs for what a stranger wrote into the tables' own words.
            for pragma in ("synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON", "trusted_schema=OFF"):
                connection.execute(f"PRAGMA {pragma}")
            return connection

        return sqlalchemy.create_engine("sqlite://", creator=connect, poolclass=StaticPool)

    def _postgresql(self) -> Engine:
        try:
            engine = sqlalchemy.create_engine(
                self.address.url, pool_size=1, max_overflow=0, connect_args={"connect_timeout": CONNECT_S}
            )
        except ModuleNotFoundError as error:
            raise StoreError(
                f"{self.address.shown}: PostgreSQL needs one package more: python -m pip install 'rotorgate[lab]'"
            ) from error

        @event.listens_for(engine, "connect")
        def durable(connection: Any, _: object) -> None:
            connection.execute("SET synchronous_commit TO on")
            connection.execute(f"SET lock_timeout TO '{BUSY_S:.3f}s'")
            connection.commit()

        return engine

    def _log_ahead(self) -> None:
        """Switch to the write-ahead log, where SQLite's own waiting for others does not work."""
        clock = WallClock()
        deadline_s = clock.now_s() + BUSY_S
        with self._translated():
            connection = self._engine.raw_connection()
            try:
                while True:
                    try:
                        mode = connection.cursor().execute("PRAGMA journal_mode=WAL").fetchone()[0]
                        break
                    except sqlite3.OperationalError as error:
                        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or clock.now_s() > deadline_s:
                            raise
                        clock.sleep_s(RETRY_S)
            finally:
                connection.close()
        if mode != "wal":
            raise StoreUnavailable(
                f"{self.address.shown}: this folder cannot keep a write-ahead log (a network drive?); "
                "choose a local one, or PostgreSQL"
            )

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        shown = self.address.shown
        try:
            yield
        except self._errors as error:
            raise _in_words(error, shown) from error
        except WrongValue as error:
            raise StoreError(f"{shown}: damaged, or made by somebody else: {error}") from error
        except OSError as error:
            raise StoreUnavailable(f"{shown}: {error.strerror or error}") from error


def _version(connection: Connection, shown: str) -> int | None:
    """Version of the store, None where there is nothing at all. Raises StoreError where there is something else."""
    inspector = inspect(connection)
    names = inspector.get_table_names()
    if not names:
        return None
    foreign = f"{shown}: not a store: holds other tables ({visible(', '.join(sorted(names)[:3]))}); name another place"
    columns = {column["name"] for column in inspector.get_columns("store")} if "store" in names else set()
    if not columns >= set(tables.store.c.keys()):
        raise StoreError(foreign)
    if planted := _planted(connection, names):
        raise StoreError(f"{shown}: not as rotorgate made it: {visible(planted)}; it is not opened")
    newest = connection.execute(select(tables.store).order_by(tables.store.c.version.desc())).first()
    if newest is None or newest.format != tables.FORMAT or newest.version < 1:
        raise StoreError(foreign)
    if newest.version > tables.VERSION:
        raise StoreError(
            f"{shown}: a store of version {newest.version}, made by rotorgate {visible(str(newest.rotorgate))}; "
            f"this one reads up to {tables.VERSION}: bring rotorgate up to date"
        )
    return int(newest.version)


def _planted(connection: Connection, names: list[str]) -> str:
    """What stands in a store's place and is no table of its own, in words; "" where nothing does.

    A view may have no end, and a trigger acts when a run is kept.
    """
    known = set(tables.metadata.tables)
    views = known & set(inspect(connection).get_view_names())
    if views:
        return f"{sorted(views)[0]} is a view"
    if connection.dialect.name != "sqlite":
        return ""
    own = {words for name in known for words in tables.guards(name, "sqlite")}
    for kind, name, table, words in connection.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master"):
        if kind == "trigger" and table in names and words not in own:
            return f"a trigger {name} that it does not have"
        if kind == "table" and name in known and not str(words).upper().startswith("CREATE TABLE"):
            return f"{name} is no plain table"
    return ""


def _in_words(error: Exception, shown: str) -> StoreError | StoreUnavailable:
    cause = getattr(error, "orig", None) or error
    if isinstance(error, ArgumentError):
        return StoreError(f"{shown}: not a database URL")
    name = str(getattr(cause, "sqlite_errorname", ""))
    words = WORDS_OF_SQLITE.get(name) or WORDS_OF_SQLITE.get("_".join(name.split("_")[:2]))
    words = words or WORDS_OF_POSTGRESQL.get(str(getattr(cause, "sqlstate", "")))
    first = (str(cause).strip() or type(cause).__name__).splitlines()[0]
    kind = StoreError if name in WRONG else StoreUnavailable
    return kind(f"{shown}: {words or visible(first)}")


def _begin(connection: Connection) -> None:
    """Whoever writes begins by being the only one; Python's own way would find another one only at its first row."""
    if connection.get_execution_options().get("writes"):
        connection.exec_driver_sql(ALONE[connection.dialect.name])
    elif connection.dialect.name == "sqlite":
        connection.exec_driver_sql("BEGIN")


def _absent(shown: str) -> str:
    return f"{shown}: no store here yet; `rotorgate qualify` and `rotorgate keep` make it"


def _may_write(path: Path) -> bool:
    effective = os.access in os.supports_effective_ids
    return os.access(path, os.W_OK, effective_ids=effective)


def _own_version() -> str:
    try:
        return version("rotorgate")
    except PackageNotFoundError:
        return "not installed"
