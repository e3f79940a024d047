"""The folder of a run, written again from the store: for a report, another analysis, or somebody else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.disk import write_synced
from harness.base.errors import RecordError
from harness.base.words import visible
from harness.record.entries import ObservationEntry
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
    files = [(_inside(folder, entry), record.raw(entry)) for entry in record.observation_entries]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, data in [*files, (folder / FILE, record.data)]:
            path.parent.mkdir(parents=True, exist_ok=True)
            _write(path, data)
    except OSError as error:
        raise RecordError(f"{visible(str(folder))}: cannot write: {error.strerror}") from error


def _inside(folder: Path, entry: ObservationEntry) -> Path:
    path = folder / entry.file
    if not path.resolve().is_relative_to(folder.resolve()):
        raise RecordError(f"observation file {entry.file!r} would lie outside {visible(str(folder))}; not written")
    return path


def _write(path: Path, data: bytes) -> None:
    write_synced(path, lambda stream: stream.write(data))
