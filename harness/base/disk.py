"""Files of a folder that anybody may have filled: written beside and renamed, read only where they are files.

What was acknowledged survives a crash: write beside, sync, rename, sync the folder. A link in such a folder is never
followed, for it may lead to any file of its user; a rename puts the file in the link's place.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from harness.base.errors import DiskFull, HarnessError

LONGEST = 1 << 30
"""Bytes of a file that is read whole (arbitrary: the longest observation of the demo has some hundred thousand)."""
_AS_IT_IS: int = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
"""No link is followed, and no pipe waited for; Windows has neither flag, and hardly either thing."""
LINKED = "a link, which is not followed"
NO_FILE = "expected a file, found a folder, pipe or device"
FULL = (errno.ENOSPC, errno.EDQUOT)
"""No room on the disk, or none of it left for this user."""


def unwritten(kind: type[HarnessError], words: str, error: OSError) -> HarnessError:
    """What to raise where a file could not be written: `kind`, or DiskFull, which is no mistake of who asked for it."""
    return (DiskFull if error.errno in FULL else kind)(f"{words}: {error.strerror}")


def write_synced(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Put a file in place whole or not at all, and on the disk before this returns. Raises OSError.

    A killed process may leave a hidden `.part` file, which nothing ever reads.
    """
    with contextlib.suppress(FileNotFoundError):
        there = path.lstat().st_mode
        if not (stat.S_ISREG(there) or stat.S_ISLNK(there)):
            raise OSError(errno.EINVAL, NO_FILE)  # a rename would put a file in the place of a device
    beside = path.with_name(f".{path.name[:40]}-{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        with beside.open("xb") as stream:
            write(stream)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
    sync_folder(path.parent)


def write_bytes(path: Path, data: bytes) -> None:
    """The same of bytes that are there already."""
    write_synced(path, lambda stream: stream.write(data))


def write_text(path: Path, text: str) -> None:
    """The same of a text, as UTF-8."""
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def append_text(path: Path, text: str) -> None:
    """Add to the end of a file, which is made where there is none; on the disk when this returns. Raises OSError."""
    handle = _opened(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    try:
        os.write(handle, text.encode("utf-8", "backslashreplace"))
        os.fsync(handle)
    finally:
        os.close(handle)


def read_bytes(path: Path, longest: int = LONGEST) -> bytes:
    """All of a file. Raises OSError, also for a link, for what is no file (a pipe would be waited for), for one that is
    longer than `longest`."""
    with os.fdopen(_opened(path, os.O_RDONLY), "rb") as stream:
        data = stream.read(longest + 1)
    if len(data) > longest:
        raise OSError(errno.EFBIG, f"expected at most {longest} bytes, found more")
    return data


def beginning_of(path: Path, length: int) -> bytes:
    """So many bytes of a file, or all that it has. Raises OSError as `read_bytes`."""
    with os.fdopen(_opened(path, os.O_RDONLY), "rb") as stream:
        return stream.read(length)


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder last. Windows cannot open a folder; there the rename is journalled by the system."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _opened(path: Path, flags: int) -> int:
    try:
        if not _AS_IT_IS & getattr(os, "O_NOFOLLOW", 0) and path.is_symlink():
            raise OSError(errno.ELOOP, LINKED)
        handle = os.open(path, flags | _AS_IT_IS, 0o666)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EMLINK):  # the second is what some systems say of a link
            raise OSError(errno.ELOOP, LINKED) from error
        raise
    except ValueError as error:  # a NUL in its name
        raise OSError(errno.EINVAL, "no name of a file") from error
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(errno.EINVAL, NO_FILE)
    return handle
