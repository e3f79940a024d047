"""A store with many rows, made where they lie: a million of Python's would take a minute."""

from __future__ import annotations

import json
from collections.abc import Sequence

from harness.base.words import OLDER_WORD
from harness.store import Store
from tests.software.store.records import STARTED

RUN = {
    "kept_utc": STARTED, "ended_utc": STARTED, "rig": "sluice", "rig_sha256": "ab" * 32, OLDER_WORD: True,
    "board_id": "0042", "firmware_name": "drive", "firmware_sha256": "cd" * 32, "seed": 1, "finished": True,
    "exit_code": 0, "remark": "",
}  # fmt: skip


def fill(store: Store, runs: int, names: Sequence[str], versions: int = 1, last: Sequence[str] = ()) -> None:
    """Add `runs` runs over that many firmware versions, each with a value of each of these quantities of one motor.

    There are no records: what only reads rows does not ask for them. `last`: identities of the last runs, whose records
    are added by whoever knows them.
    """
    with store._database.adding() as adding:
        adding.first(
            f"INSERT INTO run (uid, started_utc, firmware_version, {', '.join(RUN)}) "
            "WITH RECURSIVE count(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM count WHERE k + 1 < ?) "
            """SELECT coalesce(json_extract(?, printf('$."%d"', k)), printf('%064x', k)), """
            "printf('2026-01-01T00:00:00+%09d', k), printf('1.%d.0', k * ? / ?), "
            f"{', '.join('?' * len(RUN))} FROM count",
            runs, json.dumps(dict(enumerate(last, runs - len(last)))), versions, runs, *RUN.values(),
        )  # fmt: skip
        for name in names:
            motor, check, _ = name.split(".")
            adding.first(
                "INSERT INTO quantity (name, run_id, check_name, motor, value, u, unit, dof, outcome) "
                "SELECT ?, id, ?, ?, 0.65 + 1e-5 * (abs(random()) % 1000), 0.01, 'N m/rad', 9.0, 'agrees' FROM run",
                name, check, motor,
            )  # fmt: skip
