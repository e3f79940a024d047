"""What a store says over many runs: its rigs, their firmware versions, and each quantity over them.

Summed up where the rows lie: a million of them do not pass through Python.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, bindparam, func, select

from harness.base.errors import StoreError
from harness.nouns.results import Outcome
from harness.store import tables
from harness.store.database import Database

RUN, QUANTITY = tables.run.c, tables.quantity.c
FIRMWARE = (RUN.rig, RUN.firmware_name, RUN.firmware_version)
MEASURED = "name = ? AND value IS NOT NULL"
REFUSED = f"CASE WHEN outcome = '{Outcome.DIFFERS}' OR conformity = '{Outcome.NONCONFORMING}' THEN 1 ELSE 0 END"


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """The runs of one firmware version on one rig."""

    rig: str
    simulated: bool
    firmware_name: str | None
    firmware_version: str | None
    runs: int
    first_utc: str
    last_utc: str
    builds: int
    """Firmwares of this name and version that are not the same bytes."""
    boards: int
    endings: Mapping[int | None, int]
    """Runs by exit code; None where they did not come to their end."""
    first_id: int
    last_id: int

    @property
    def key(self) -> tuple[str, str | None, str | None]:
        """Rig, name and version of the firmware."""
        return self.rig, self.firmware_name, self.firmware_version

    @property
    def alone(self) -> bool:
        """Whether no other run was kept between its first and its last."""
        return self.last_id - self.first_id + 1 == self.runs


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseLevel:
    """One quantity over the runs of one firmware version. Values are in the unit of the quantity."""

    release: tuple[str, str | None, str | None]
    runs: int
    """That measured it."""
    mean: float
    s: float
    """Standard deviation of the values; 0 for a single one."""
    low: float
    high: float
    """Smallest and largest value."""
    refused: int
    """Runs in which it differed or was nonconforming."""


class RunEntry(NamedTuple):
    """One quantity in one run, measured (`value`) or not."""

    run_id: int
    check_name: str
    motor: str
    value: float | None
    u: float | None
    unit: str
    outcome: str | None
    conformity: str | None


class Histories:
    """The runs of an opened store taken together. Made by `Store.histories`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def rigs(self) -> dict[tuple[str, bool], int]:
        """How many runs there are of each rig, by its name and whether they are simulated."""
        wanted = select(RUN.rig, RUN.simulated, func.count()).group_by(RUN.rig, RUN.simulated).order_by(RUN.rig)
        with self._database.reading() as connection:
            return {(rig, bool(simulated)): count for rig, simulated, count in connection.execute(wanted)}

    def releases(self, *, simulated: bool, rig: str | None = None) -> list[Release]:
        """Firmware versions in the order of their first runs."""
        chosen = _chosen(simulated, rig)
        counted = select(
            *FIRMWARE, func.count(), func.min(RUN.started_utc), func.max(RUN.started_utc),
            func.count(RUN.firmware_sha256.distinct()), func.count(RUN.board_id.distinct()), func.min(RUN.id),
            func.max(RUN.id),
        ).where(*chosen).group_by(*FIRMWARE)  # fmt: skip
        ended = select(*FIRMWARE, RUN.exit_code, func.count()).where(*chosen).group_by(*FIRMWARE, RUN.exit_code)
        endings: dict[tuple[str, str | None, str | None], dict[int | None, int]] = {}
        with self._database.reading() as connection:
            rows = connection.execute(counted).all()
            for *key, code, count in connection.execute(ended.order_by(RUN.exit_code)):
                endings.setdefault((key[0], key[1], key[2]), {})[code] = count
        releases = [
            Release(
                rig=rig_name, simulated=simulated, firmware_name=name, firmware_version=version, runs=runs,
                first_utc=first, last_utc=last, builds=max(builds, 1), boards=boards,
                endings=endings[rig_name, name, version], first_id=first_id, last_id=last_id,
            )
            for rig_name, name, version, runs, first, last, builds, boards, first_id, last_id in rows
        ]  # fmt: skip
        return sorted(releases, key=lambda release: (release.rig, release.first_utc, str(release.key)))

    def names(self) -> list[str]:
        """Full names of all quantities, one step along the table's order for each (a DISTINCT would read it all)."""
        names: list[str] = []
        following = select(func.min(QUANTITY.name)).where(QUANTITY.name > bindparam("after"))
        with self._database.reading() as connection:
            after: Any = ""
            while (after := connection.scalar(following, {"after": after})) is not None:
                names.append(after)
        return names

    def levels(
        self, name: str, releases: Sequence[Release], *, origin: float = 0.0, turning: bool = False
    ) -> list[ReleaseLevel]:
        """One quantity over each of these firmware versions that measured it.

        `origin`: a value near the others, from which squares are summed up so that no digits are lost. A `turning`
        quantity is an angle on a circle: each value is taken within half a turn of `origin`.
        """
        # Versions commonly follow each other: their rows lie together, and nothing needs to be asked of each run.
        rows = self._along if all(release.alone for release in releases) else self._joined
        keys = {release.key for release in releases}
        return [_level(row, origin) for row in rows(name, releases, _sums(origin, turning)) if tuple(row[:3]) in keys]

    def _along(self, name: str, releases: Sequence[Release], sums: str) -> list[Any]:
        """The sums over each version's stretch of the table, in the driver's own words: there are many, and each is
        done sooner than SQLAlchemy has prepared it."""
        wanted = f"SELECT {sums} FROM quantity WHERE {MEASURED} AND run_id BETWEEN ? AND ?"
        rows: list[Any] = []
        with self._database.reading() as connection:
            for release in releases:
                values = (name, release.first_id, release.last_id)
                row = connection.exec_driver_sql(self._marked(wanted), values).one()
                if row[0]:
                    rows.append((*release.key, *row))
        return rows

    def _joined(self, name: str, releases: Sequence[Release], sums: str) -> list[Any]:
        """The same, each run asked for its version; of other rigs, too, which whoever asks leaves out."""
        firmware = ", ".join(f"run.{column.name}" for column in FIRMWARE)
        wanted = (
            f"SELECT {firmware}, {sums} FROM quantity JOIN run ON run.id = quantity.run_id "
            f"WHERE {MEASURED} AND {RUN.simulated} = ? GROUP BY {firmware}"
        )
        with self._database.reading() as connection:
            return list(connection.exec_driver_sql(self._marked(wanted), (name, releases[0].simulated)))

    def _marked(self, words: str) -> str:
        """A query with the marks of this driver for its values."""
        return words.replace("?", "%s") if self._database.dialect == "postgresql" else words

    def entries(self, name: str, runs: Sequence[int]) -> list[RunEntry]:
        """One quantity in each of these runs that planned it, in the order in which they were kept."""
        columns = [QUANTITY[word] for word in RunEntry._fields]
        wanted = select(*columns).where(QUANTITY.name == name, QUANTITY.run_id.in_(runs)).order_by(QUANTITY.run_id)
        with self._database.reading() as connection:
            return [RunEntry(*row) for row in connection.execute(wanted)]


def _chosen(simulated: bool, rig: str | None) -> list[ColumnElement[bool]]:
    return [RUN.simulated == simulated, *([] if rig is None else [RUN.rig == rig])]


def _sums(origin: float, turning: bool) -> str:
    """What a level is made of, as distances from `origin`."""
    moved = f"(value - ({origin!r}))"
    if turning:
        moved = f"({moved} - {math.tau!r} * round({moved} / {math.tau!r}))"
    return f"count(*), sum({moved}), sum({moved} * {moved}), min({moved}), max({moved}), sum({REFUSED})"


def _level(row: Any, origin: float) -> ReleaseLevel:
    rig, name, version, count, total, squares, low, high, refused = row
    if not math.isfinite(squares + total):
        raise StoreError("a store is damaged, or made by somebody else: a value that is no finite number")
    mean = total / count
    rest = squares - count * mean * mean
    # What is left of equal values is rounding, and may even be negative.
    s = math.sqrt(rest / (count - 1)) if high > low and rest > 0.0 else 0.0
    return ReleaseLevel(
        release=(rig, name, version), runs=count, mean=origin + mean, s=s, low=origin + low, high=origin + high,
        refused=refused,
    )  # fmt: skip
