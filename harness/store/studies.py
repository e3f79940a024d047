"""Studies of several runs: what they found, kept as it was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from harness.base.clock import utc_now
from harness.base.errors import StoreError
from harness.store import tables
from harness.store.database import Database
from harness.store.packed import DAMAGES, packed, unpacked


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """One study. `kind` says what was studied (`gauge`), `content` what was found."""

    id: int
    made_utc: str
    kind: str
    rig: str
    simulated: bool
    content: Mapping[str, Any]


FIELDS = tuple(column.key for column in tables.study.c if column.key != "json")


class Studies:
    """The studies of an opened store. Made by `Store.studies`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, kind: str, rig: str, simulated: bool, content: Mapping[str, Any]) -> Study:
        """Keep a study; on disk when this returns. Raises StoreUnavailable."""
        made = utc_now().isoformat(timespec="milliseconds")
        row = {"made_utc": made, "kind": kind, "rig": rig, "simulated": simulated, "json": packed(content)}
        with self._database.adding() as adding:
            added = adding.add_one(tables.study, row)
        return self.get(added)

    def get(self, number: int) -> Study:
        """A study by its number. Raises StoreError."""
        for study in self._found(tables.study.c.id == number):
            return study
        raise StoreError(f"{self._database.address.shown}: no study {number}")

    def all(self, kind: str | None = None, rig: str | None = None, *, simulated: bool | None = None) -> list[Study]:
        """Studies in the order in which they were made; only those of a kind, a rig, a sort of bench where asked.

        One that is damaged has no content: it takes nothing away from the others.
        """
        asked = {"kind": kind, "rig": rig, "simulated": simulated}
        conditions = (tables.study.c[name] == value for name, value in asked.items() if value is not None)
        return self._found(*conditions, damaged=True)

    def _found(self, *conditions: Any, damaged: bool = False) -> list[Study]:
        wanted = select(*tables.labelled(tables.study)).where(*conditions).order_by(tables.study.c.id)
        with self._database.reading() as connection:
            rows = connection.execute(wanted).mappings().all()
        return [
            Study(**{name: row[name] for name in FIELDS}, content=self._content(row["json"], damaged)) for row in rows
        ]

    def _content(self, data: bytes, damaged: bool) -> Mapping[str, Any]:
        try:
            content = unpacked(data)
            if not isinstance(content, dict):
                raise ValueError(f"expected an object, found {type(content).__name__}")
            return content
        except DAMAGES as error:
            if damaged:
                return {}
            raise StoreError(f"{self._database.address.shown}: a study is damaged: {error}") from error
