"""The folder of a run, written again from the store: for a report, another analysis, or somebody else."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.disk import LINKED, unwritten, write_bytes
from harness.base.errors import RecordError
from harness.base.words import visible
from harness.record.record import FILE

if TYPE_CHECKING:
    from harness.store.store import Store


def fetch(store: Store, run_id: int, folder: Path) -> None:
    """Write record.json, byte for byte, and the raw observations of a run into `folder`, which must hold no record.

    record.json comes last: a folder that has one is whole. Raises StoreError, RecordError.
    """
    record = store.record(run_id)
    if (folder / FILE).exists():
        raise RecordError(f"{visible(str(folder))}: holds a record already; choose another folder with --out")
    # Whose files have names of an allowed form, in one folder.
    files = [(folder / entry.file, record.raw(entry)) for entry in record.observation_entries]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, data in [*files, (folder / FILE, record.data)]:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.parent != folder and path.parent.is_symlink():
                raise OSError(errno.ELOOP, LINKED)
            write_bytes(path, data)
    except OSError as error:
        raise unwritten(RecordError, f"{visible(str(folder))}: cannot write", error) from error
