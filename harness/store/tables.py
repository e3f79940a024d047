"""The tables of a store, the same on SQLite and PostgreSQL, and how an older store becomes a newer one.

Rows are only ever added. Triggers refuse everything else, so that a mistake in a program is an error, not a loss.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    ForeignKey,
    Index,
    Label,
    MetaData,
    Table,
    UniqueConstraint,
)

from harness.base.words import OLDER_WORD
from harness.store.kinds import Flag, LongWhole, Number, Packed, Whole, Words

VERSION = 2
FORMAT = "rotorgate store"

# The column `simulated` has its older name inside a store. A store is only added to, and benches with several versions
# of this program share one: a column by another name would shut the older ones out.
metadata = MetaData()

store = Table(
    "store",
    metadata,
    Column("version", Whole, primary_key=True, autoincrement=False),
    Column("format", Words, nullable=False),
    Column("since_utc", Words, nullable=False),
    Column("rotorgate", Words, nullable=False),
)
"""A row for each version this store has had; the largest is what it is."""

run = Table(
    "run",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("uid", Words, nullable=False, unique=True),
    Column("kept_utc", Words, nullable=False),
    Column("started_utc", Words, nullable=False),
    Column("ended_utc", Words),
    Column("rig", Words, nullable=False),
    Column("rig_sha256", Words, nullable=False),
    Column(OLDER_WORD, Flag, key="simulated", nullable=False),
    Column("board_id", Words, nullable=False),
    Column("firmware_name", Words),
    Column("firmware_version", Words),
    Column("firmware_sha256", Words),
    Column("lot", Words),
    Column("seed", LongWhole),
    Column("finished", Flag, nullable=False),
    Column("exit_code", Whole),
    Column("remark", Words, nullable=False),
    Column("board_name", Words),
    Index("run_of_rig", "rig", "started_utc"),
)
"""`board_id` is what the board's controller says of itself, `board_name` what a person calls the board (version 2)."""

record = Table(
    "record",
    metadata,
    Column("run_id", ForeignKey("run.id"), primary_key=True, autoincrement=False),
    Column("json", Packed, nullable=False),
    sqlite_with_rowid=False,
)
"""record.json, compressed (zlib). Apart from `run`, which a history reads row by row."""

quantity = Table(
    "quantity",
    metadata,
    Column("name", Words, primary_key=True),
    Column("run_id", ForeignKey("run.id"), primary_key=True, autoincrement=False),
    Column("check_name", Words, nullable=False),
    Column("motor", Words, nullable=False),
    Column("value", Number),
    Column("u", Number),
    Column("unit", Words, nullable=False),
    Column("dof", Number),
    Column("outcome", Words),
    Column("conformity", Words),
    sqlite_with_rowid=False,
)
"""A row a quantity, in the order (name, run), so that the history of one lies together. `value` is null where it was
not measured, `dof` where it is infinite, `motor` "" where both were driven; `outcome` is the verdict against the model,
`conformity` that against a requirement."""

observation = Table(
    "observation",
    metadata,
    Column("run_id", ForeignKey("run.id"), primary_key=True, autoincrement=False),
    Column("name", Words, primary_key=True),
    Column("sha256", Words, nullable=False),
    sqlite_with_rowid=False,
)

raw = Table(
    "raw",
    metadata,
    Column("sha256", Words, primary_key=True),
    Column("data", Packed, nullable=False),
)
"""Raw observations, where they are not in a folder."""

baseline = Table(
    "baseline",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("name", Words, nullable=False),
    Column("revision", Whole, nullable=False),
    Column("accepted_utc", Words, nullable=False),
    Column("by_whom", Words, nullable=False),
    Column("why", Words, nullable=False),
    Column("despite", Words),
    Column("rig", Words, nullable=False),
    UniqueConstraint("name", "revision"),
)

baseline_run = Table(
    "baseline_run",
    metadata,
    Column("baseline_id", ForeignKey("baseline.id"), primary_key=True, autoincrement=False),
    Column("run_id", ForeignKey("run.id"), primary_key=True, autoincrement=False),
    Column("mounting", Words),
)
"""`mounting` is null where the run counts as one of its own."""

retirement = Table(
    "retirement",
    metadata,
    Column("baseline_id", ForeignKey("baseline.id"), primary_key=True, autoincrement=False),
    Column("retired_utc", Words, nullable=False),
    Column("by_whom", Words, nullable=False),
    Column("why", Words, nullable=False),
)

study = Table(
    "study",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("made_utc", Words, nullable=False),
    Column("kind", Words, nullable=False),
    Column("rig", Words, nullable=False),
    Column(OLDER_WORD, Flag, key="simulated", nullable=False),
    Column("json", Packed, nullable=False),
)
"""What a study of several runs found (version 2); `json` is compressed (zlib)."""

decision = Table(
    "decision",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("made_utc", Words, nullable=False),
    Column("rig", Words, nullable=False),
    Column(OLDER_WORD, Flag, key="simulated", nullable=False),
    Column("word", Words, nullable=False),
    Column("exit_code", Whole, nullable=False),
    Column("firmware_name", Words),
    Column("firmware_version", Words),
    Column("firmware_sha256", Words),
    Column("baseline_id", ForeignKey("baseline.id"), nullable=False),
    Column("policy_sha256", Words, nullable=False),
    Column("json", Packed, nullable=False),
)
"""What a release gate decided (version 2); `json`: why, with the text of the policy, compressed (zlib)."""

decision_run = Table(
    "decision_run",
    metadata,
    Column("decision_id", ForeignKey("decision.id"), primary_key=True, autoincrement=False),
    Column("run_id", ForeignKey("run.id"), primary_key=True, autoincrement=False),
)


def labelled(table: Table) -> list[Label[Any]]:
    """The columns of a table by the names that they have here, for a query whose rows are read by name."""
    return [column.label(column.key) for column in table.c]


REFUSAL = "a store is only added to"


def create(connection: Connection) -> None:
    """Make all tables with their triggers, in the transaction of `connection`."""
    metadata.create_all(connection, checkfirst=False)
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(
            "CREATE FUNCTION only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
        )
    for table in metadata.sorted_tables:
        for statement in guards(table.name, connection.dialect.name):
            connection.exec_driver_sql(statement)


def guards(table: str, dialect: str) -> list[str]:
    """Triggers that refuse whatever is not an added row; a table that a later version adds needs them too."""
    if dialect == "postgresql":
        return [
            f"CREATE TRIGGER {table}_only_added_to BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION only_added_to()"
        ]
    return [
        f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
        for act in ("UPDATE", "DELETE")
    ]


def _to_2(connection: Connection) -> None:
    """Names of boards, studies, decisions."""
    connection.exec_driver_sql("ALTER TABLE run ADD COLUMN board_name TEXT")
    added = (study, decision, decision_run)
    metadata.create_all(connection, tables=list(added), checkfirst=False)
    for table in added:
        for statement in guards(table.name, connection.dialect.name):
            connection.exec_driver_sql(statement)


RAISES: Mapping[int, Callable[[Connection], None]] = {1: _to_2}
"""What makes a store of version N one of version N + 1, by N. It adds; it never takes away."""
