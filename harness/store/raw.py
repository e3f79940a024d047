"""Raw observations, each kept once under the SHA-256 of its .npy file: in a folder, or in the database."""

from __future__ import annotations

import errno
import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

from sqlalchemy import select

from harness.base.disk import LINKED, read_bytes, sync_folder, write_bytes
from harness.base.errors import RecordError, StoreUnavailable
from harness.base.words import visible
from harness.store import tables
from harness.store.database import Database

SHA256 = re.compile(r"[0-9a-f]{64}")


def digest(data: bytes) -> str:
    """SHA-256, as hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


class Raw(Protocol):
    """Where raw observations are."""

    def put(self, files: Mapping[str, bytes]) -> None:
        """Have all of them on disk, by their SHA-256, before this returns. Raises StoreUnavailable."""
        ...

    def get(self, sha256: str, what: str) -> bytes:
        """One of them, as it was put. `what` says in an error what is missing. Raises RecordError."""
        ...


class RawFolder:
    """One file each, `ab/ab12...npy`. A killed process may leave a hidden `.part` file, which nothing ever reads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Where a file is, or would be. Raises RecordError for what is no SHA-256: it becomes a path."""
        if not SHA256.fullmatch(sha256):
            raise RecordError(f"{self.folder}: expected a SHA-256 of 64 digits, found {visible(sha256)[:80]}")
        return self.folder / sha256[:2] / f"{sha256}.npy"

    def put(self, files: Mapping[str, bytes]) -> None:
        """Write, sync, rename; then sync the folders. A file that is there already is only looked at."""
        folders: set[Path] = set()
        try:
            for sha256, data in files.items():
                path = self.path(sha256)
                if not path.parent.is_dir():
                    path.parent.mkdir(parents=True, exist_ok=True)
                    folders |= {self.folder.parent, self.folder}
                if path.parent.is_symlink():
                    raise OSError(errno.ELOOP, LINKED)
                if path.is_symlink() or not (path.is_file() and read_bytes(path) == data):
                    write_bytes(path, data)
                folders.add(path.parent)  # also of what another process has just put there
        except OSError as error:
            raise StoreUnavailable(f"{self.folder}: cannot write a raw observation: {error.strerror}") from error
        for folder in folders:
            sync_folder(folder)

    def get(self, sha256: str, what: str) -> bytes:
        """Read it, and see that it is what was put."""
        path = self.path(sha256)
        remedy = "put it back from a backup, or keep the run's folder once more"
        try:
            data = read_bytes(path)
        except FileNotFoundError as error:
            raise RecordError(f"{path}: missing: {what}; {remedy}") from error
        except OSError as error:
            raise RecordError(f"{path}: cannot read {what}: {error.strerror}") from error
        if digest(data) != sha256:
            raise RecordError(f"{path}: damaged: not what was kept of {what}; {remedy}")
        return data


class RawTable:
    """Rows of table `raw`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, files: Mapping[str, bytes]) -> None:
        """Add those that are not there, in a transaction of its own."""
        if not files:
            return
        from sqlalchemy.dialects import postgresql, sqlite

        insert = postgresql.insert if self._database.dialect == "postgresql" else sqlite.insert
        with self._database.writing() as connection:
            connection.execute(
                insert(tables.raw).on_conflict_do_nothing(),
                [{"sha256": sha256, "data": data} for sha256, data in files.items()],
            )

    def get(self, sha256: str, what: str) -> bytes:
        """Read it, and see that it is what was put."""
        with self._database.reading() as connection:
            data = connection.scalar(select(tables.raw.c.data).where(tables.raw.c.sha256 == sha256))
        if data is None or digest(data) != sha256:
            words = "missing" if data is None else "damaged"
            raise RecordError(f"{self._database.address.shown}: {words}: {what}; keep the run's folder once more")
        return bytes(data)
