"""Writing so that what was acknowledged survives a crash: write beside, sync, rename, sync the folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO


def write_synced(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Put a file in place whole or not at all, and on the disk before this returns."""
    beside = path.with_name(f".{path.name}.part")
    with beside.open("wb") as stream:
        write(stream)
        stream.flush()
        os.fsync(stream.fileno())
    beside.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder last. Windows cannot open a folder; there the rename is journalled by the system."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
