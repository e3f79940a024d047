"""Records from their folders, whole or unfinished, of this schema and of older ones."""

from __future__ import annotations

from pathlib import Path

from harness.base.disk import read_bytes
from harness.base.errors import RecordError
from harness.record.record import FILE, Record


def read(folder: Path) -> Record:
    """The record in a folder (or beside the record.json it names). Raises RecordError in one line."""
    path = folder if folder.name == FILE else folder / FILE
    try:
        data = read_bytes(path)
    except FileNotFoundError as error:
        raise RecordError(f"{folder}: no record here; expected a folder that holds {FILE}") from error
    except NotADirectoryError as error:
        raise RecordError(f"{folder}: expected a folder that holds {FILE}, found a file") from error
    except OSError as error:
        raise RecordError(f"{path}: cannot read: {error.strerror}") from error
    return Record(path.parent, data)
