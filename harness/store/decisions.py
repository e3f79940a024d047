"""Decisions of release gates, kept for whoever asks a year later why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from harness.base.clock import utc_now
from harness.base.errors import StoreError
from harness.store import tables
from harness.store.database import Database
from harness.store.packed import DAMAGES, packed, unpacked


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDecision:
    """One decision. `content` says why, with the text of the policy."""

    id: int
    made_utc: str
    rig: str
    simulated: bool
    word: str
    """`release`, `refuse` or `undecided`."""
    exit_code: int
    firmware_name: str | None
    firmware_version: str | None
    firmware_sha256: str | None
    baseline_id: int
    policy_sha256: str
    runs: tuple[int, ...]
    content: Mapping[str, Any]


FIELDS = tuple(column.key for column in tables.decision.c if column.key != "json")


class Decisions:
    """The decisions of an opened store. Made by `Store.decisions`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, runs: Sequence[int], content: Mapping[str, Any], **columns: Any) -> StoredDecision:
        """Keep a decision on these runs; on disk when this returns. Raises StoreUnavailable."""
        row = {**columns, "made_utc": utc_now().isoformat(timespec="milliseconds")}
        with self._database.adding() as adding:
            added = adding.add_one(tables.decision, {**row, "json": packed(content)})
            adding.add(tables.decision_run, [{"decision_id": added, "run_id": run} for run in runs])
        return self.get(added)

    def get(self, number: int) -> StoredDecision:
        """A decision by its number. Raises StoreError."""
        for decision in self._found(tables.decision.c.id == number):
            return decision
        raise StoreError(f"{self._database.address.shown}: no decision {number}")

    def all(self, rig: str | None = None, *, simulated: bool | None = None) -> list[StoredDecision]:
        """Decisions in the order in which they were made; only those on a rig where one is given."""
        conditions = [] if rig is None else [tables.decision.c.rig == rig]
        if simulated is not None:
            conditions.append(tables.decision.c.simulated == simulated)
        return self._found(*conditions)

    def _found(self, *conditions: Any) -> list[StoredDecision]:
        wanted = select(*tables.labelled(tables.decision)).where(*conditions).order_by(tables.decision.c.id)
        member = tables.decision_run.c
        ids = wanted.with_only_columns(tables.decision.c.id).order_by(None)
        members = select(member.decision_id, member.run_id).where(member.decision_id.in_(ids)).order_by(member.run_id)
        with self._database.reading() as connection:
            rows = connection.execute(wanted).mappings().all()
            runs: dict[int, list[int]] = {}
            for row in connection.execute(members):
                runs.setdefault(row.decision_id, []).append(row.run_id)
        try:
            return [
                StoredDecision(
                    **{name: row[name] for name in FIELDS},
                    runs=tuple(runs.get(row["id"], ())),
                    content=unpacked(row["json"]),
                )
                for row in rows
            ]
        except DAMAGES as error:
            raise StoreError(f"{self._database.address.shown}: a decision is damaged: {error}") from error
