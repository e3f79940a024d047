"""Raw observations, each kept once under the SHA-256 of its .npy file: in a folder, or in the database."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

from sqlalchemy import select

from harness.base.disk import sync_folder
from harness.base.errors import RecordError, StoreUnavailable
from harness.store import tables
from harness.store.database import Database


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
        """Where a file is, or would be."""
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
                if not (path.exists() and path.read_bytes() == data):
                    self._write(path, data)
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
            data = path.read_bytes()
        except FileNotFoundError as error:
            raise RecordError(f"{path}: missing: {what}; {remedy}") from error
        except OSError as error:
            raise RecordError(f"{path}: cannot read {what}: {error.strerror}") from error
        if digest(data) != sha256:
            raise RecordError(f"{path}: damaged: not what was kept of {what}; {remedy}")
        return data

    def _write(self, path: Path, data: bytes) -> None:
        beside = path.with_name(f".{path.stem[:16]}-{os.getpid()}-{secrets.token_hex(4)}.part")
        try:
            with beside.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            beside.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise


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
