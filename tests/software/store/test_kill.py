"""A writer killed at any moment: what it acknowledged is there, and nothing is there by half.

SIGKILL ends a process, not the machine: that a commit reaches the disk rests on SQLite's synchronous=FULL (checked
here) and on the disk. The writer is forked, so that most of its life is writing, not loading libraries.
"""

from __future__ import annotations

import os
import random
import signal
from pathlib import Path

import pytest

from harness.base.clock import WallClock
from harness.record import read
from harness.store import Store
from harness.store.rows import rows_of
from tests.examples import rounds
from tests.software.store.conftest import schema
from tests.software.store.records import NAME, written

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")

CLOCK = WallClock()
SOME, MANY = 24, 200
"""Kills in the quick form of the tests, and in all of them."""
POSTGRESQL = 5
"""A fifth of them there: that a transaction is whole is the server's doing, and it is not the one that is killed."""
NEW_STORE_EVERY = 8
"""So that some kills hit the making of a store (arbitrary)."""
EACH = 3
"""New records for each writer (arbitrary)."""


class Writer:
    """A process that keeps a record whenever it is told to; says `open`, then a uid for each that is acknowledged."""

    def __init__(self, place: str, folders: list[Path]) -> None:
        orders, tell = os.pipe()
        heard, say = os.pipe()
        self.process = os.fork()
        if self.process == 0:
            try:
                os.close(tell)
                with Store.open(place, make=True) as store:
                    os.write(say, b"open\n")
                    for folder in folders:
                        os.read(orders, 1)
                        os.write(say, f"{store.keep(folder).uid}\n".encode())
                signal.pause()  # an early end would be no kill
            finally:
                os._exit(1)
        for end in (orders, say):
            os.close(end)
        self._tell, self._said = tell, os.fdopen(heard)

    def keep(self) -> None:
        """Let it begin with its next record."""
        os.write(self._tell, b"\n")

    def hear(self) -> str:
        """Its next line."""
        return self._said.readline()

    def kill(self) -> str:
        """End it; what it had said that was not heard yet."""
        os.kill(self.process, signal.SIGKILL)
        _, status = os.waitpid(self.process, 0)
        assert os.WTERMSIG(status) == signal.SIGKILL, status
        os.close(self._tell)
        with self._said:
            return self._said.read()


def usual_times_s(place: str, folders: list[Path]) -> tuple[float, float]:
    """How long a writer takes on this machine to make a store, and then to keep a record."""
    begin_s = CLOCK.now_s()
    writer = Writer(place, folders)
    writer.hear()
    opened_s = CLOCK.now_s()
    for _ in folders:
        writer.keep()
        writer.hear()
    ended_s = CLOCK.now_s()
    writer.kill()
    return opened_s - begin_s, (ended_s - opened_s) / len(folders)


def killed_while_making(place: str, folders: list[Path], after_s: float) -> list[str]:
    """What a writer acknowledged that was killed so long after its start."""
    writer = Writer(place, folders)
    CLOCK.sleep_s(after_s)
    return writer.kill().split()[1:]


def killed_while_keeping(place: str, folders: list[Path], before: int, after_s: float) -> list[str]:
    """What a writer acknowledged that was killed so long after it had begun with one more than `before` records."""
    writer = Writer(place, folders)
    assert writer.hear() == "open\n"
    heard = []
    for _ in range(before):
        writer.keep()
        heard.append(writer.hear())
    writer.keep()
    CLOCK.sleep_s(after_s)
    return "".join([*heard, writer.kill()]).split()


def whole(store: Store, contents: dict[str, object]) -> set[str]:
    """Uids of the runs in a store, each of them complete in every table."""
    history = {value.run_id for value in store.values(NAME, "sluice")}
    uids = set()
    for run in store.runs():
        record = store.record(run.id)
        assert record.data == contents[run.uid]
        assert len(record.observations()) == 2
        assert run.id in history
        uids.add(run.uid)
    assert len(history) == len(uids)
    return uids


def test_kills_lose_nothing_acknowledged_and_leave_nothing_half(place, tmp_path, request):
    kills = MANY if rounds(MANY) == MANY else SOME
    chance = random.Random(1)
    folders = [
        written(tmp_path / "runs" / str(seed), seed=seed, observations=((1,), (2,)))
        for seed in range(EACH * NEW_STORE_EVERY)
    ]
    contents = {rows_of(folder).run["uid"]: read(folder).data for folder in folders}

    def new_place(number: int) -> str:
        if "postgresql" not in place:
            return str(tmp_path / f"{number}.sqlite")
        raw = f"&raw={tmp_path / f'raw{number}'}" if "raw=" in place else ""
        return schema(request.getfixturevalue("cluster")) + raw

    kills = -(-kills // POSTGRESQL) if "postgresql" in place else kills
    making_s, keeping_s = usual_times_s(place, folders[:EACH])
    total, there, before = 0, "", set()
    for number in range(kills):
        turn = number % NEW_STORE_EVERY
        if turn == 0:
            there, before = new_place(number), set()
        part = folders[EACH * turn :][:EACH]
        # At any moment of making a store, or of keeping any of the records.
        if turn == 0:
            said = killed_while_making(there, part, chance.uniform(0.0, making_s))
        else:
            said = killed_while_keeping(there, part, turn % EACH, chance.uniform(0.0, keeping_s))
            assert turn % EACH <= len(said) <= turn % EACH + 1
        total += len(said)
        with Store.open(there, make=True) as store:
            if "postgresql" not in place:
                with store._database.reading() as connection:
                    assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
                    assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
                    assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
            found = whole(store, contents)
        assert before | set(said) <= found
        assert len(found) <= len(before) + len(said) + 1  # one may be on disk, and its writer killed before saying so
        before = found
    print(f"{total} acknowledged before {kills} kills")  # noqa: T201
