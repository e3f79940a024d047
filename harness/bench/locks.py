"""One user of a device at a time: a lock for each port, board and VISA address, not for the rig file.

The kernel holds the lock, so it is free at once when its holder dies, however it dies; a note beside it says
who holds it. The locks bind the processes of one user on one machine. Another user's are not seen: the serial
port's own exclusive open refuses those. Who excludes other hosts (`harness/pool`) is handed in as `remote`.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import re
import stat
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

from filelock import FileLock, Timeout

from harness.base.clock import utc_now
from harness.base.errors import BenchBusy, BenchError

LONGEST_STEM = 40  # arbitrary: enough of the device's name to recognise the file


class RemoteLocks(Protocol):
    """Who excludes users that this machine's locks do not see."""

    def hold(self, devices: Sequence[str]) -> None:
        """Take all of them or none, without waiting. Raises BenchBusy that names the holder, BenchError."""

    def give(self, devices: Sequence[str]) -> None:
        """Give them back; never raises."""

    def check(self) -> None:
        """Raises BenchError where what is held may have been lost."""


class DeviceLocks:
    """Holds devices until released; a context manager. `remote` holds them too, after this machine's locks.

    `lasting`: leaving the context gives nothing back, because the rig is opened again and nobody is to come between;
    `release` does.
    """

    def __init__(self, folder: Path | None = None, *, remote: RemoteLocks | None = None, lasting: bool = False) -> None:
        self._folder = folder
        self._remote = remote
        self._lasting = lasting
        self._held: dict[str, tuple[FileLock, Path]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self._lasting:
            self.release()

    @property
    def devices(self) -> tuple[str, ...]:
        """What is held, sorted."""
        return tuple(sorted(self._held))

    def hold(self, devices: Iterable[str]) -> None:
        """Take all of them or none, in sorted order, without waiting.

        Those already held by this object are left as they are. Raises BenchBusy that names the holder,
        BenchError where the folder of the locks cannot be used or who holds beyond this machine cannot be asked.
        """
        wanted = sorted(set(devices) - set(self._held))
        held_now: list[str] = []
        try:
            for device in wanted:
                self._take(device)
                held_now.append(device)
            if self._remote is not None and wanted:
                self._remote.hold(wanted)
        except BaseException:
            for device in reversed(held_now):
                self._give(device)
            raise

    def release(self) -> None:
        """Give all of them back."""
        if self._remote is not None and self._held:
            self._remote.give(self.devices)
        for device in sorted(self._held, reverse=True):
            self._give(device)

    def check(self) -> None:
        """Raises BenchError where what is held beyond this machine may have been lost; the kernel loses none."""
        if self._remote is not None and self._held:
            self._remote.check()

    def _take(self, device: str) -> None:
        folder = self._folder if self._folder is not None else lock_folder()
        path = folder / f"{_stem(device)}.lock"
        note = path.with_suffix(".holder")
        lock = FileLock(path, thread_local=False)
        try:
            lock.acquire(timeout=0)
        except Timeout as error:
            raise BenchBusy(f"{device}: in use by {_holder(note)}; wait until it has ended") from error
        except OSError as error:
            raise BenchError(f"{device}: cannot lock it with {path}: {error.strerror}") from error
        self._held[device] = (lock, note)
        holder = {
            "pid": os.getpid(),
            "user": user(),
            "started": utc_now().isoformat(timespec="seconds"),
            "device": device,
        }
        _write(note, json.dumps(holder))

    def _give(self, device: str) -> None:
        lock, note = self._held.pop(device)
        # The note goes first: once the lock is free the next holder writes its own.
        with contextlib.suppress(OSError):
            note.unlink()
        lock.release()


def user() -> str:
    """Login name, or the numeric id where the system knows no name for it."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return str(os.getuid()) if hasattr(os, "getuid") else "unknown"


def lock_folder() -> Path:
    """The folder of this user's locks, made if absent. Raises BenchError where it is somebody else's."""
    folder = Path(tempfile.gettempdir()) / f"rotorgate-{re.sub(r'[^A-Za-z0-9._-]', '_', user())}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        status = folder.lstat()
    except OSError as error:
        raise BenchError(f"{folder}: cannot make the folder of device locks: {error.strerror}") from error
    # Anybody can make a folder or link of that name in a shared temporary directory.
    if not stat.S_ISDIR(status.st_mode) or (hasattr(os, "getuid") and status.st_uid != os.getuid()):
        raise BenchError(f"{folder}: the folder of device locks belongs to somebody else; remove it or set TMPDIR")
    return folder


def _stem(device: str) -> str:
    readable = re.sub(r"[^A-Za-z0-9._-]+", "-", device)[:LONGEST_STEM]
    return f"{readable}-{hashlib.sha256(device.encode()).hexdigest()[:12]}"


def _write(note: Path, text: str) -> None:
    # Replaced in one step, so that nobody reads half of it. A note that cannot be written costs only its words.
    draft = note.with_suffix(".draft")
    with contextlib.suppress(OSError):
        draft.write_text(text, encoding="utf-8")
        draft.replace(note)


def _holder(note: Path) -> str:
    """Who holds it, in words. The lock is what counts: the note may be missing, or be its former holder's."""
    try:
        held: Any = json.loads(note.read_text(encoding="utf-8"))
        pid, name, started = int(held["pid"]), str(held["user"]), str(held["started"])
    except (OSError, ValueError, KeyError, TypeError):
        return "another process that has just taken it"
    return f"process {pid} of {name}, started {started}"
