"""Baselines of a store: sets of runs under a name, with who accepted them and why.

Nothing is overwritten: what is accepted under a name that is there already is its next revision, and a revision that
is retired stays, marked. A name by itself means its newest revision.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select

from harness.base.clock import utc_now
from harness.base.errors import StoreError, UsageError
from harness.base.words import visible
from harness.store import tables
from harness.store.adding import Adding
from harness.store.database import Database

LONGEST_NAME = 60
LONGEST_TEXT = 1000
"""Characters; arbitrary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retirement:
    """Why a revision is no longer compared with."""

    retired_utc: str
    by_whom: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBaseline:
    """One revision of a baseline."""

    id: int
    name: str
    revision: int
    accepted_utc: str
    by_whom: str
    """As they called themselves: nobody checks it."""
    why: str
    despite: str | None
    """Why runs stand in it that did not end with 0; None where all did."""
    rig: str
    simulated: bool
    runs: tuple[int, ...]
    mountings: tuple[str, ...]
    """A label a run, as whoever accepted it gave it; the run's own where none was given."""
    retirement: Retirement | None
    newest: bool

    @property
    def state(self) -> str:
        """`in force`, `superseded` or `retired`."""
        if self.retirement is not None:
            return "retired"
        return "in force" if self.newest else "superseded"

    @property
    def title(self) -> str:
        """`baseline NAME, revision N`."""
        return f"baseline {self.name}, revision {self.revision}"


class Baselines:
    """The baselines of an opened store. Made by `Store.baselines`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self) -> list[StoredBaseline]:
        """Every revision, by name and revision."""
        return self._found(select(tables.baseline))

    def get(self, name: str, revision: int | None = None) -> StoredBaseline:
        """A revision, the newest where none is asked for. Raises StoreError where there is none."""
        shown = self._database.address.shown
        revisions = self._found(select(tables.baseline).where(tables.baseline.c.name == name_of(name)))
        if not revisions:
            raise StoreError(f"{shown}: no baseline {visible(name)}; {self._instead(name)}")
        for revision_there in revisions:
            if revision_there.revision == revision or (revision is None and revision_there.newest):
                return revision_there
        raise StoreError(f"{shown}: baseline {revisions[0].name} has revisions 1 to {len(revisions)}, found {revision}")

    def accept(
        self,
        name: str,
        runs: Sequence[int],
        *,
        by_whom: str,
        why: str,
        mountings: Sequence[str] | None = None,
        despite: str | None = None,
    ) -> StoredBaseline:
        """Accept these runs under a name, as its next revision; on disk when this returns.

        What the runs are worth as a baseline is not asked here. Raises UsageError for words that are none, StoreError
        for runs that are not there, of several rigs, simulated beside real, or of another rig than the name's.
        """
        labels = list(mountings) if mountings is not None else [None] * len(runs)
        if not runs or len(set(runs)) < len(runs) or len(labels) != len(runs):
            raise UsageError(f"a baseline needs runs, each once, with a mounting each: found {len(runs)} runs")
        kept_name = name_of(name)
        row = {
            "name": kept_name,
            "by_whom": text_of(by_whom, "--by"),
            "why": text_of(why, "--why"),
            "despite": None if despite is None else text_of(despite, "--despite"),
            "accepted_utc": utc_now().isoformat(timespec="milliseconds"),
        }
        members = [
            {"run_id": run, "mounting": None if label is None else text_of(label, "--mounting")}
            for run, label in zip(runs, labels, strict=True)
        ]
        with self._database.adding() as adding:
            rig, simulated = self._one_rig(adding, runs)
            revision = self._next_revision(adding, kept_name, rig, simulated)
            added = adding.add_one(tables.baseline, {**row, "revision": revision, "rig": rig})
            adding.add(tables.baseline_run, [{**member, "baseline_id": added} for member in members])
        return self.get(kept_name, revision)

    def retire(self, name: str, revision: int | None = None, *, by_whom: str, why: str) -> StoredBaseline:
        """Mark a revision, the newest where none is asked for, as one that nothing is compared with any more.

        Raises UsageError for words that are none, StoreError where there is no such revision or it is retired already.
        """
        words = {"by_whom": text_of(by_whom, "--by"), "why": text_of(why, "--why")}
        chosen = self.get(name, revision)
        now = utc_now().isoformat(timespec="milliseconds")
        with self._database.adding() as adding:
            before = adding.first("SELECT retired_utc, by_whom FROM retirement WHERE baseline_id = ?", chosen.id)
            if before is not None:
                raise StoreError(f"{chosen.title}: retired already, {before[0][:10]} by {before[1]}")
            adding.add(tables.retirement, [{"baseline_id": chosen.id, "retired_utc": now, **words}])
        return self.get(name, chosen.revision)

    def _one_rig(self, adding: Adding, runs: Sequence[int]) -> tuple[str, bool]:
        kinds: dict[tuple[str, bool], int] = {}
        for run in runs:
            row = adding.first(f"SELECT rig, {tables.run.c.simulated} FROM run WHERE id = ?", run)
            if row is None:
                raise StoreError(f"{self._database.address.shown}: no run {run}")
            kinds.setdefault((row[0], bool(row[1])), run)
        if len(kinds) > 1:
            (rig, run), (other_rig, other_run) = list(kinds.items())[:2]
            raise StoreError(
                f"run {run} is of {_rig_words(*rig)}, run {other_run} of {_rig_words(*other_rig)}: "
                "a baseline is of one rig, simulated or real"
            )
        return next(iter(kinds))

    def _next_revision(self, adding: Adding, name: str, rig: str, simulated: bool) -> int:
        newest = adding.first(
            f"SELECT baseline.revision, run.rig, {tables.run.c.simulated} FROM baseline "
            "JOIN baseline_run ON baseline_run.baseline_id = baseline.id JOIN run ON run.id = baseline_run.run_id "
            "WHERE baseline.name = ? ORDER BY baseline.revision DESC LIMIT 1",
            name,
        )
        if newest is None:
            return 1
        if (newest[1], bool(newest[2])) != (rig, simulated):
            raise StoreError(
                f"baseline {name} is of {_rig_words(newest[1], bool(newest[2]))}, these runs of "
                f"{_rig_words(rig, simulated)}: choose another name"
            )
        return int(newest[0]) + 1

    def _found(self, wanted: Select[Any]) -> list[StoredBaseline]:
        order = wanted.order_by(tables.baseline.c.name, tables.baseline.c.revision)
        ids = wanted.with_only_columns(tables.baseline.c.id)
        run, member, retirement = tables.run.c, tables.baseline_run.c, tables.retirement
        runs = (
            select(member.baseline_id, member.run_id, member.mounting, run.uid, run.simulated.label("simulated"))
            .join_from(tables.baseline_run, tables.run, run.id == member.run_id)
            .where(member.baseline_id.in_(ids))
            .order_by(member.run_id)
        )
        with self._database.reading() as connection:
            rows = connection.execute(order).mappings().all()
            members: dict[int, list[Mapping[Any, Any]]] = {}
            for row in connection.execute(runs).mappings():
                members.setdefault(row["baseline_id"], []).append(row)
            retired = {
                row["baseline_id"]: Retirement(
                    retired_utc=row["retired_utc"], by_whom=row["by_whom"], why=row["why"]
                )
                for row in connection.execute(select(retirement).where(retirement.c.baseline_id.in_(ids))).mappings()
            }  # fmt: skip
        newest = {row["name"]: row["revision"] for row in rows}
        if empty := [row["name"] for row in rows if row["id"] not in members]:
            raise StoreError(f"{self._database.address.shown}: damaged: baseline {visible(empty[0])} has no runs")
        return [
            StoredBaseline(
                **row,
                simulated=bool(members[row["id"]][0]["simulated"]),
                runs=tuple(each["run_id"] for each in members[row["id"]]),
                mountings=tuple(each["mounting"] or each["uid"] for each in members[row["id"]]),
                retirement=retired.get(row["id"]),
                newest=row["revision"] == newest[row["name"]],
            )
            for row in rows
        ]

    def _instead(self, name: str) -> str:
        names = list(dict.fromkeys(baseline.name for baseline in self.all()))
        near = difflib.get_close_matches(name, names, 1)
        if near:
            return f"did you mean {near[0]}?"
        return f"there are {', '.join(names[:5])}" if names else "there are none; `rotorgate baseline accept` makes one"


def name_of(given: str) -> str:
    """A baseline's name as it is kept. Raises UsageError."""
    name = unicodedata.normalize("NFC", given)
    fits = 0 < len(name) <= LONGEST_NAME and name[0].isalnum() and all(c.isalnum() or c in "._-" for c in name)
    if not fits:
        raise UsageError(
            f"baseline {visible(name[:LONGEST_NAME])!r}: expected a name of up to {LONGEST_NAME} letters and digits "
            "with . _ - between them"
        )
    return name


def text_of(given: str, option: str) -> str:
    """A person's words as they are kept, on one line. Raises UsageError."""
    text = " ".join(given.split())
    if not text or not text.isprintable() or len(text) > LONGEST_TEXT:
        what = visible(text[:30]) if text else "nothing"
        raise UsageError(f"{option}: expected up to {LONGEST_TEXT} characters that can be printed, found {what}")
    return text


def _rig_words(rig: str, simulated: bool) -> str:
    return f"rig {visible(rig)} ({'simulated' if simulated else 'real'})"
