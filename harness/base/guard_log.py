"""The log that the guard of a supply leaves in the folder of a run: a line a note, with when and who.

Written by a process that has no more than seconds, read when the run is told of.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from harness.base.clock import utc_now
from harness.base.disk import append_text, read_bytes

GUARD_LOG = "guard.log"
"""Its name in that folder."""
BEFORE_TEXT = ": "
"""Between who has written a note and what it says; neither a time of ISO 8601 nor a process id has it."""


def add_note(log: Path, text: str) -> None:
    """Append a note, forced to the disk; what cannot be written is lost."""
    # A full disk or a folder that has gone must not keep the guard from its task.
    with contextlib.suppress(OSError):
        who = f"{utc_now().isoformat(timespec='milliseconds')} guard {os.getpid()}"
        append_text(log, f"{who}{BEFORE_TEXT}{text}\n")


def last_note(log: Path) -> str:
    """What was noted last, without when and who; "" where nothing was, or nobody can read it."""
    try:
        notes = read_bytes(log).decode("utf-8", "replace").split("\n")
    except OSError:
        return ""
    who, _, text = next((note for note in reversed(notes) if note.strip()), "").partition(BEFORE_TEXT)
    return text or who
