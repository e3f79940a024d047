"""A writer killed at any moment: what it acknowledged is there, and nothing is there by half.

SIGKILL ends a process, not the machine: that a commit reaches the disk rests on SQLite's synchronous=FULL (checked
here) and on the disk. The writer is forked, so that most of its life is writing, not loading libraries.
"""

from __future__ import annotations

import os
import random
import signal
from pathlib import Path
from typing import TextIO

import pytest

from harness.base.clock import WallClock
from harness.record import read
from harness.store import Store
from harness.store.rows import rows_of
from tests.software.store.conftest import schema
from tests.software.store.records import NAME, written

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL"),
]

CLOCK = WallClock()
KILLS = 200
KILLS_POSTGRESQL = 40
"""Fewer: that a transaction is whole is the server's doing, and it is not the one that is killed."""
NEW_STORE_EVERY = 8
"""So that some kills hit the making of a store (arbitrary)."""
EACH = 3
"""New records for each writer (arbitrary)."""


def start_writer(place: str, folders: list[Path]) -> tuple[int, TextIO]:
    """A process that keeps records, and what it says: `open`, then a uid for each that is acknowledged."""
    reader, writer = os.pipe()
    process = os.fork()
    if process == 0:
        try:
            os.close(reader)
            with Store.open(place, make=True) as store:
                os.write(writer, b"open\n")
                for folder in folders:
                    os.write(writer, f"{store.keep(folder).uid}\n".encode())
            signal.pause()  # an early end would be no kill
        finally:
            os._exit(1)
    os.close(writer)
    return process, os.fdopen(reader)


def kill(process: int) -> None:
    os.kill(process, signal.SIGKILL)
    _, status = os.waitpid(process, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL, status


def usual_times_s(place: str, folders: list[Path]) -> tuple[float, float]:
    """How long a writer takes on this machine to make a store, and then to keep its records."""
    begin_s = CLOCK.now_s()
    process, said = start_writer(place, folders)
    with said:
        said.readline()
        opened_s = CLOCK.now_s()
        for _ in folders:
            said.readline()
        ended_s = CLOCK.now_s()
        kill(process)
    return opened_s - begin_s, ended_s - opened_s


def killed_writer(place: str, folders: list[Path], lines: int, after_s: float) -> list[str]:
    """What a writer acknowledged that was killed so long after it had said so many lines."""
    process, said = start_writer(place, folders)
    with said:
        heard = [said.readline() for _ in range(lines)]
        CLOCK.sleep_s(after_s)
        kill(process)
        return "".join([*heard, said.read()]).split()[1:]


def whole(store: Store, contents: dict[str, object]) -> set[str]:
    """Uids of the runs in a store, each of them complete in every table."""
    history = {value.run_id for value in store.values(NAME, "sluice")}
    uids = set()
    for run in store.runs():
        record = store.record(run.id)
        assert record.content == contents[run.uid]
        assert len(record.observations()) == 2
        assert run.id in history
        uids.add(run.uid)
    assert len(history) == len(uids)
    return uids


def test_kills_lose_nothing_acknowledged_and_leave_nothing_half(place, tmp_path, request):
    chance = random.Random(1)
    folders = [
        written(tmp_path / "runs" / str(seed), seed=seed, observations=((1,), (2,)))
        for seed in range(EACH * NEW_STORE_EVERY)
    ]
    contents = {rows_of(folder).run["uid"]: read(folder).content for folder in folders}

    def new_place(number: int) -> str:
        if "postgresql" not in place:
            return str(tmp_path / f"{number}.sqlite")
        raw = f"&raw={tmp_path / f'raw{number}'}" if "raw=" in place else ""
        return schema(request.getfixturevalue("cluster")) + raw

    kills = KILLS_POSTGRESQL if "postgresql" in place else KILLS
    making_s, keeping_s = usual_times_s(place, folders[:EACH])
    middle, total, there, before = 0, 0, "", set()
    for number in range(kills):
        turn = number % NEW_STORE_EVERY
        if turn == 0:
            there, before = new_place(number), set()
        part = folders[EACH * turn :][:EACH]
        # At any moment of making a store, or of keeping any of the records.
        lines = 0 if turn == 0 else chance.randint(1, EACH)
        said = killed_writer(there, part, lines, chance.uniform(0.0, making_s if turn == 0 else keeping_s / EACH))
        total += len(said)
        middle += 0 < len(said) < len(part)
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
    print(f"{total} acknowledged, {middle} of {kills} kills between two acknowledgements")  # noqa: T201
    assert middle > kills / 8
