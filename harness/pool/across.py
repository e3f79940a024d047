"""Locks on devices that hold across hosts and users: advisory locks of a PostgreSQL that all of them reach.

They belong to one connection, which stays open for the run: the server gives them back at once when their holder
ends, however it ends, and within `SILENT_S` when its host has gone without a word.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import socket
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from harness.base.errors import BenchBusy, BenchError, StoreError
from harness.base.words import visible
from harness.bench.devices import name_everywhere
from harness.bench.locks import DeviceLocks, user
from harness.store.address import Address

if TYPE_CHECKING:
    import psycopg

CONNECT_S = 10
"""Longest wait for the server (arbitrary)."""
LOST_S = (5, 2, 3)
"""Silence, and then the distance and number of unanswered probes, after which this end takes the connection for lost:
11 s (arbitrary; shorter than the server's)."""
SILENT_S = (15, 5, 3)
"""The same for the server's end, which then gives the locks back: 30 s (arbitrary)."""
LONGEST_NAME = 63
"""Bytes of an application_name that PostgreSQL keeps (manual, 20.8: less than NAMEDATALEN)."""
SETTINGS = {
    "idle_session_timeout": "0",  # a run asks nothing of the server for as long as it lasts
    "tcp_keepalives_idle": str(SILENT_S[0]),
    "tcp_keepalives_interval": str(SILENT_S[1]),
    "tcp_keepalives_count": str(SILENT_S[2]),
}
SET = "SELECT set_config(name, %s, false) FROM pg_settings WHERE name = %s"  # older servers do not know all of them
TAKE = "SELECT pg_try_advisory_lock(%s)"
GIVE = "SELECT pg_advisory_unlock(%s)"
WHO = """
SELECT activity.application_name, activity.backend_start
FROM pg_locks AS lock JOIN pg_stat_activity AS activity USING (pid)
WHERE lock.locktype = 'advisory' AND lock.objsubid = 1 AND lock.granted
AND lock.database = (SELECT oid FROM pg_database WHERE datname = current_database())
AND (lock.classid::bigint << 32 | lock.objid::bigint) = %s
"""
"""A lock by its 64-bit key (manual, 54.12 pg_locks: high half in classid, low half in objid)."""


class HostLocks:
    """Devices held among all who use one PostgreSQL database; hand it to DeviceLocks as `remote`. One process."""

    def __init__(self, address: Address, *, host: str | None = None) -> None:
        """`host` is what this machine is called. Nothing is connected yet. Raises StoreError for a SQLite file."""
        if not address.url:
            raise StoreError(f"store {address.shown}: locks across hosts need postgresql://; SQLite is one host's")
        self.address = address
        self.host = host or socket.gethostname()
        self._connection: psycopg.Connection[Any] | None = None
        self._held: set[str] = set()

    def hold(self, devices: Sequence[str]) -> None:
        """Take all of them or none, in sorted order, without waiting. Raises BenchBusy, BenchError, StoreError."""
        names = {name_everywhere(device, self.host): device for device in devices}
        held_now: list[str] = []
        try:
            with self._translated():
                for name in sorted(set(names) - self._held):
                    self._take(name, names[name])
                    held_now.append(name)
        except BaseException:
            self._give(held_now)
            raise

    def give(self, devices: Sequence[str]) -> None:
        """Give them back; never raises."""
        self._give([name_everywhere(device, self.host) for device in devices])

    def check(self) -> None:
        """Raises BenchError where the connection has ended, and the locks with it. Asks nothing of the server."""
        if not self._held:
            return
        with self._translated(lost="the locks on this rig are lost, and another host may drive it now"):
            if self._connection is None or self._connection.closed:
                raise ConnectionError("the connection has ended")
            self._connection.pgconn.consume_input()

    def prove(self) -> None:
        """Connect once, and leave again. Raises BenchError, StoreError."""
        with self._translated():
            self._connected()
        self._give([])

    def _take(self, name: str, device: str) -> None:
        connection = self._connected()
        row = connection.execute(TAKE, (key(name),)).fetchone()
        if row is None or not row[0]:
            holder = connection.execute(WHO, (key(name),)).fetchone()
            raise BenchBusy(f"{device}: in use by {_in_words(holder)}; wait until it has ended")
        self._held.add(name)

    def _give(self, names: Sequence[str]) -> None:
        connection = self._connection
        mine = sorted(set(names) & self._held, reverse=True)
        self._held.difference_update(mine)
        if connection is None:
            return
        # Whatever this fails by, closing the connection frees them, and a lost one holds nothing. Not by closing alone:
        # the server takes a moment to see that, in which a rig given back would be in use by whoever gave it back.
        with contextlib.suppress(Exception):
            for name in mine:
                connection.execute(GIVE, (key(name),))
        if not self._held:
            self._connection = None
            with contextlib.suppress(Exception):
                connection.close()

    def _connected(self) -> psycopg.Connection[Any]:
        if self._connection is None:
            import psycopg

            idle, interval, count = LOST_S
            self._connection = connection = psycopg.connect(
                self.address.url.replace("+psycopg", "", 1),
                autocommit=True,
                application_name=f"rotorgate {os.getpid()} {user()}@{self.host}"[:LONGEST_NAME],
                connect_timeout=CONNECT_S,
                keepalives_idle=idle,
                keepalives_interval=interval,
                keepalives_count=count,
                tcp_user_timeout=1000 * (idle + interval * count),
            )
            for name, value in SETTINGS.items():
                connection.execute(SET, (value, name))
        return self._connection

    @contextlib.contextmanager
    def _translated(self, lost: str = "") -> Iterator[None]:
        shown = self.address.shown
        try:
            import psycopg
        except ModuleNotFoundError as error:
            needs = "PostgreSQL needs one package more: python -m pip install 'rotorgate[lab]'"
            raise StoreError(f"{shown}: {needs}") from error
        try:
            yield
        except (psycopg.Error, OSError) as error:
            first = (str(error).strip() or type(error).__name__).splitlines()[0]
            words = lost or "cannot ask whether another host drives this rig"
            hint = "" if lost else "; leave the store out if you know that none does"
            raise BenchError(f"{shown}: {words}: {visible(first)}{hint}") from error


def key(name: str) -> int:
    """The 64-bit key of a device's lock, signed as PostgreSQL's bigint."""
    return int.from_bytes(hashlib.sha256(f"rotorgate device {name}".encode()).digest()[:8], "big", signed=True)


def _in_words(holder: tuple[Any, ...] | None) -> str:
    if holder is None:
        return "another process that has just let it go"
    name, began = str(holder[0]), holder[1]
    since = f", started {began.astimezone().isoformat(timespec='seconds')}" if began is not None else ""
    match = re.fullmatch(r"rotorgate (\d+) (.+)", name)
    return f"process {match[1]} of {visible(match[2])}{since}" if match else f"{visible(name) or 'somebody'}{since}"


@contextlib.contextmanager
def locks_for(store: Address | None) -> Iterator[DeviceLocks]:
    """Locks for runs one after another, between which nobody else may take the rig; given back at the end.

    Whoever shares a PostgreSQL store may share benches.
    """
    remote = HostLocks(store) if store is not None and store.url else None
    locks = DeviceLocks(remote=remote, lasting=True)
    try:
        yield locks
    finally:
        locks.release()
