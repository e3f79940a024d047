"""The firmware from before, on this machine's disk for as long as another one is on trial on a board.

A backup lies under the user's own folder, by the board's id; a board that has none of its own, or is simulated, by the
port that it is at. One that is there when a run begins was left by a run that was killed, and holds the firmware from
before that: it stays, and is added to, where the board holds what was saved or what was put on it since. A board that
holds anything else is another one, or was changed: nothing is written to it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.clock import utc_now
from harness.base.disk import sync_folder, write_synced
from harness.base.errors import BenchError, DeviceError
from harness.base.words import visible
from harness.bench.devices import port_device

if TYPE_CHECKING:
    from harness.link.board import Board, BoardIdentity
    from harness.rigfile import RigSpec

INDEX = "index.json"
MOST = 64
"""Backups of one user (arbitrary: each stands for a run that was killed, or one that is running)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedFile:
    """One file of a backup: its name on the board, where it is kept, its hash, and the hashes of what took its place.

    No file and no hash: the board held none of that name.
    """

    name: str
    file: str | None
    sha256: str | None
    put: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBackup:
    """A backup that lies on this machine, and of which board at which port."""

    place: Path
    board: str
    port: str
    simulated: bool
    since_utc: str
    files: int

    @property
    def line(self) -> str:
        """For a person."""
        kind = "simulated board" if self.simulated else "board"
        which = f"{kind} {visible(self.board) or 'without an id'} at {visible(self.port) or 'a port not noted'}"
        files = f"{self.files} file{'s' * (self.files != 1)}"
        return f"{which}, {files}, since {visible(self.since_utc)}: {visible(str(self.place))}"


def backup_folder() -> Path:
    """The user's folder for backups, kept over a restart of the machine."""
    base = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".local" / "state") / "rotorgate" / "firmware"


def place_of(identity: BoardIdentity, spec: RigSpec, folder: Path | None = None) -> Path:
    """Where the backup of the firmware of a board of a rig lies, if there is one."""
    root, board = folder or backup_folder(), _safe(identity.unique_id)
    if identity.unique_id and not identity.simulated:
        return root / board  # found again wherever it is plugged in
    port = port_device(spec.board.port)
    if spec.clock is not None:  # a pseudo-terminal, whose name the next simulated bench gets as soon as one has ended
        port = f"{port} of {spec.clock.address}"
    return root / f"{board}-{hashlib.sha256(port.encode()).hexdigest()[:12]}"


def left_behind(identity: BoardIdentity, spec: RigSpec) -> str:
    """What is to be known of a board whose firmware from before is in a backup still, in one line; "" if there is none.

    It was left there by a run that was killed.
    """
    store = place_of(identity, spec)
    if (store / INDEX).exists():
        return (
            "this board holds firmware that a killed run put on it; `rotorgate qualify RIG --restore` puts back the "
            f"one from before, which is in {store}"
        )
    return ""


def kept_backups(folder: Path | None = None) -> list[KeptBackup]:
    """All that lie there, oldest first; those that cannot be read are listed by what can."""
    kept = [_kept(index.parent) for index in sorted((folder or backup_folder()).glob(f"*/{INDEX}"))]
    return sorted(kept, key=lambda each: each.since_utc)


def _kept(store: Path) -> KeptBackup:
    try:
        content = json.loads((store / INDEX).read_text(encoding="ascii"))
    except (OSError, ValueError, RecursionError):
        content = None
    content = content if isinstance(content, dict) else {}
    files = content.get("files")
    return KeptBackup(
        place=store,
        board=str(content.get("unique_id", "")),
        port=str(content.get("port", "")),
        simulated=content.get("is_simulated") is True,
        since_utc=str(content.get("since_utc", "a time not noted")),
        files=len(files) if isinstance(files, list) else 0,
    )


def back_up(board: Board, store: Path, files: Mapping[str, bytes], identity: BoardIdentity, port: str) -> None:
    """Save what the board holds under the names of `files`, which are to take its place.

    Raises BenchError, also for a backup that is another board's, and where there are too many already.
    """
    check_same_board(board, store)
    index = {entry.name: entry for entry in saved_before(store)}
    if not index:
        _make_room(store.parent)
    since_utc = _kept(store).since_utc if index else utc_now().isoformat(timespec="seconds")
    try:
        store.mkdir(parents=True, exist_ok=True)
        for name, new in files.items():
            entry = index.get(name) or _saved(board, store, name, len(index))
            put = (*entry.put, hashlib.sha256(new).hexdigest())
            index[name] = SavedFile(name=name, file=entry.file, sha256=entry.sha256, put=tuple(dict.fromkeys(put)))
        content = {
            "schema": 2,
            "unique_id": identity.unique_id,
            "port": port,
            "is_simulated": identity.simulated,
            "since_utc": since_utc,
            "files": [asdict(entry) for entry in index.values()],
        }
        text = json.dumps(content).encode("ascii")
        write_synced(store / INDEX, lambda stream: stream.write(text))
        sync_folder(store.parent)
    except OSError as error:
        raise BenchError(f"{store}: cannot save the firmware that is on the board: {error.strerror}") from error


def _saved(board: Board, store: Path, name: str, place: int) -> SavedFile:
    content = on_board(board, name)
    if content is None:
        return SavedFile(name=name, file=None, sha256=None)
    write_synced(store / f"{place}.bin", lambda stream: stream.write(content))
    return SavedFile(name=name, file=f"{place}.bin", sha256=hashlib.sha256(content).hexdigest())


def _make_room(folder: Path) -> None:
    """Room for one more: those of simulated boards go, oldest first, those of real ones stay. Raises BenchError."""
    kept = kept_backups(folder)
    too_many = len(kept) + 1 - MOST
    for backup in [each for each in kept if each.simulated][: max(too_many, 0)]:
        if not forget(backup.place):
            too_many -= 1
    if too_many > 0:
        raise BenchError(
            f"{folder}: holds the firmware from before of {MOST} boards, as many as are kept; put it back with "
            "--restore or remove what is not wanted any more (`rotorgate inspect` lists it); nothing was changed"
        )


def check_same_board(board: Board, store: Path) -> None:
    """Whether what the board holds is what was saved, or was put on it since. Raises BenchError; writes nothing."""
    for entry in saved_before(store):
        content = on_board(board, entry.name)
        found = None if content is None else hashlib.sha256(content).hexdigest()
        if entry.put and found not in (entry.sha256, *entry.put):
            raise BenchError(
                f"{store}: the board holds another {visible(entry.name)} than was saved there or put on it by the run "
                "that was killed: it is another board, or was changed since; nothing was written to it. Remove the "
                "folder to give that backup up"
            )


def saved_before(store: Path) -> list[SavedFile]:
    """The files of a backup, none where there is none. Raises BenchError for one that cannot be read."""
    try:
        entries = json.loads((store / INDEX).read_text(encoding="ascii"))["files"]
        return [
            SavedFile(
                name=str(entry["name"]),
                file=None if entry["file"] is None else str(entry["file"]),
                sha256=None if entry["sha256"] is None else str(entry["sha256"]),
                put=tuple(str(put) for put in entry.get("put", ())),
            )
            for entry in entries
        ]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BenchError(f"{store}: the backup of the firmware cannot be read: {error}") from error


def contents(store: Path) -> dict[str, bytes | None]:
    """What a backup holds by names on the board, None for what was not there. Raises BenchError, also if damaged."""
    found: dict[str, bytes | None] = {}
    for entry in saved_before(store):
        try:
            content = None if entry.file is None else (store / Path(entry.file).name).read_bytes()
        except (OSError, ValueError) as error:
            raise BenchError(f"{store}: the backup of the firmware cannot be read: {error}") from error
        if content is not None and hashlib.sha256(content).hexdigest() != entry.sha256:
            raise BenchError(f"{store}: the backup of the firmware is damaged; not written to the board")
        found[entry.name] = content
    return found


def forget(store: Path) -> str:
    """Drop a backup that is no longer wanted; why it could not be dropped, "" if it could. The index goes first."""
    with contextlib.suppress(OSError):
        (store / INDEX).unlink()
        for file in store.glob("*.bin"):
            file.unlink()
        store.rmdir()
    if not (store / INDEX).exists():
        return ""
    return (
        f"{store}: cannot be removed; remove it, or a later --restore takes what it holds for the firmware from before"
    )


def on_board(board: Board, name: str) -> bytes | None:
    """Content of a file on the board, None if it has none of that name."""
    return board.read_file(name) if exists(board, name) else None


def exists(board: Board, name: str) -> bool:
    """Whether the board has a file or folder of that name."""
    try:
        board.execute(f"import os\nos.stat({name!r})\n")
    except DeviceError:
        return False
    return True


def _safe(unique_id: str | None) -> str:
    return re.sub(r"[^A-Za-z0-9]", "", unique_id or "board")[:64]
