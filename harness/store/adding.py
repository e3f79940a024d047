"""A transaction that adds rows, in the driver's own words: those of SQLAlchemy take longer to build than a quick disk
takes for a commit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from sqlalchemy import Table
from sqlalchemy.engine.interfaces import DBAPICursor


class Adding:
    """An open transaction. Made by `Database.adding`, which ends it."""

    def __init__(self, cursor: DBAPICursor, dialect: str) -> None:
        self._cursor = cursor
        self._dialect = dialect

    def first(self, words: str, *values: object) -> Any:
        """The first row of a query that has `?` for each value; None where there is none."""
        self._cursor.execute(words.replace("?", "%s") if self._dialect == "postgresql" else words, values)
        return self._cursor.fetchone()

    def add(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Add rows, each with all columns."""
        if rows:
            keys = _keys(table)
            self._cursor.executemany(_insert(table, self._dialect), [tuple(row[key] for key in keys) for row in rows])

    def add_one(self, table: Table, row: Mapping[str, Any]) -> int:
        """Add a row with all columns but `id`, and return the id that it was given."""
        cursor = self._cursor
        cursor.execute(_insert(table, self._dialect), tuple(row[key] for key in _keys(table)))
        return int(cursor.fetchone()[0] if self._dialect == "postgresql" else cursor.lastrowid)  # type: ignore[index]


@cache
def _keys(table: Table) -> tuple[str, ...]:
    return tuple(column.key for column in table.c if column.key != "id")


@cache
def _insert(table: Table, dialect: str) -> str:
    names = [table.c[key].name for key in _keys(table)]
    mark, ending = ("%s", " RETURNING id" if "id" in table.c else "") if dialect == "postgresql" else ("?", "")
    return f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join([mark] * len(names))}){ending}"
