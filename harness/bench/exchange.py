"""Putting a firmware on the board, and the old one back.

The supply is off. Each file is written under another name, checked there, and renamed; what was there before is on
this machine's disk, synced, before the first write. The backup lies under the user's own folder for the board, so
that after a kill `--restore` alone finds it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.base.disk import sync_folder, write_synced
from harness.base.errors import BenchError, DeviceError, UsageError
from harness.base.words import visible

if TYPE_CHECKING:
    from harness.bench.rig import Rig
    from harness.link.board import Board
    from harness.rigfile import RigSpec

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}\.(py|mpy)")
PART = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")
RUN_AT_START = ("boot.py", "main.py")
LARGEST = 512 * 1024
"""Bytes of one file, at most. Arbitrary: more than a small board can hold."""
INDEX = "index.json"
BESIDE = ".new"
"""Ending of a file that is written and not yet in place."""


def collect(path: Path, allowed: tuple[str, ...]) -> dict[str, bytes]:
    """Firmware files under `path` (or the file itself): name on the board -> content. Raises UsageError.

    Only regular .py and .mpy files, no links that lead out, boot.py and main.py only where the rig file names them.
    """
    shown = visible(str(path))
    if not path.exists():
        raise UsageError(f"--firmware {shown}: no such file or folder")
    root = path.resolve() if path.is_dir() else path.resolve().parent
    files: dict[str, bytes] = {}
    problems: list[str] = []
    for entry in sorted(path.rglob("*")) if path.is_dir() else [path]:
        name = entry.relative_to(path).as_posix() if path.is_dir() else entry.name
        if entry.is_dir() or "__pycache__" in entry.parts or not NAME.fullmatch(entry.name):
            continue
        if not entry.resolve().is_relative_to(root) or not entry.is_file():
            problems.append(f"--firmware {shown}: {visible(name)} leads out of the folder or is no regular file")
        elif not all(PART.fullmatch(part) for part in name.split("/")[:-1]):
            problems.append(f"--firmware {shown}: {visible(name)}: expected folders of letters, digits and _")
        elif name in RUN_AT_START and name not in allowed:
            problems.append(
                f"--firmware {shown}: {name} would run at every start of the board; name it in "
                f"firmware.exchange of the rig file, or leave it out"
            )
        elif entry.stat().st_size > LARGEST:
            problems.append(f"--firmware {shown}: {visible(name)}: expected at most {LARGEST} bytes")
        else:
            files[name] = entry.read_bytes()
    if problems:
        raise UsageError("\n".join(problems))
    if not files:
        raise UsageError(f"--firmware {shown}: no .py or .mpy file there")
    return files


def firmware_files(path: Path, spec: RigSpec) -> dict[str, bytes]:
    """What `collect` finds, with the module that the rig file names among it. Raises UsageError."""
    files = collect(path, spec.firmware.exchange)
    stem = spec.firmware.module.replace(".", "/")
    if not {f"{stem}.py", f"{stem}.mpy", f"{stem}/__init__.py", f"{stem}/__init__.mpy"} & set(files):
        raise UsageError(
            f"--firmware {visible(str(path))}: no {spec.firmware.module}.py there, the module that the rig file names"
        )
    return files


def exchange(
    rig: Rig, path: Path | None, *, restore: bool, hold: bool = False, folder: Path | None = None
) -> Callable[[], None] | None:
    """Put the firmware at `path` on the board; without a path put back what a killed run left in the backup.

    Returns what puts the old one back at the end, if `restore` asks for that; with `hold` neither that is done nor the
    backup forgotten: the caller does one of both later. Raises UsageError, BenchError.
    """
    store = backup_of(rig, folder)
    board = rig.board
    if path is None:
        if not (store / INDEX).exists():
            raise UsageError("--restore: no backup of an earlier firmware of this board; nothing was changed")
        put_back(board, store)
        return None
    files = firmware_files(path, rig.spec)
    if hidden := hidden_by(board, files):
        raise UsageError("\n".join(f"--firmware {visible(str(path))}: {line}" for line in hidden))
    back_up(board, store, list(files))
    install(board, files)
    board.soft_reset()
    if hold:
        return None
    return partial(put_back, board, store) if restore else partial(_dropped, store)


@contextlib.contextmanager
def on_trial(board: Board, spec: RigSpec, unique_id: str, path: Path, folder: Path | None = None) -> Iterator[None]:
    """The firmware at `path` on the board for as long as it is looked at, supply off; then the one from before.

    Raises UsageError, BenchError.
    """
    files = firmware_files(path, spec)
    if hidden := hidden_by(board, files):
        raise UsageError("\n".join(f"--firmware {visible(str(path))}: {line}" for line in hidden))
    store = (folder or backup_folder()) / _safe(unique_id)
    back_up(board, store, list(files))
    try:
        install(board, files)
        board.soft_reset()
        yield
    finally:
        put_back(board, store)


def backup_of(rig: Rig, folder: Path | None = None) -> Path:
    """Where the backup of a board's firmware lies, if there is one."""
    return (folder or backup_folder()) / _safe(rig.identity.unique_id)


def left_behind(unique_id: str | None) -> str:
    """What is to be known of a board whose firmware from before is in a backup still, in one line; "" if there is none.

    It was left there by a run that was killed.
    """
    store = backup_folder() / _safe(unique_id)
    if not (store / INDEX).exists():
        return ""
    return (
        "this board holds firmware that a killed run put on it; `rotorgate qualify RIG --restore` puts back the one "
        f"from before, which is in {store}"
    )


def _safe(unique_id: str | None) -> str:
    return re.sub(r"[^A-Za-z0-9]", "", unique_id or "board")[:64]


def backup_folder() -> Path:
    """The user's folder for backups, kept over a restart of the machine."""
    base = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".local" / "state") / "rotorgate" / "firmware"


def back_up(board: Board, store: Path, names: list[str]) -> None:
    """Save what the board holds under these names; what it does not hold is noted as absent.

    A backup that is there is from a killed run and holds the firmware from before that: it stays, and is added to.
    Raises BenchError.
    """
    index = saved_before(store)
    known = {entry["name"] for entry in index}
    if index and known.issuperset(names):
        return
    try:
        store.mkdir(parents=True, exist_ok=True)
        for place, name in enumerate((name for name in names if name not in known), start=len(index)):
            content = on_board(board, name)
            if content is not None:
                write_synced(store / f"{place}.bin", lambda stream, data=content: stream.write(data))  # type: ignore[misc]
            index.append(
                {
                    "name": name,
                    "file": None if content is None else f"{place}.bin",
                    "sha256": None if content is None else hashlib.sha256(content).hexdigest(),
                }
            )
        text = json.dumps({"schema": 1, "files": index}).encode("ascii")
        write_synced(store / INDEX, lambda stream: stream.write(text))
        sync_folder(store.parent)
    except OSError as error:
        raise BenchError(f"{store}: cannot save the firmware that is on the board: {error.strerror}") from error


def saved_before(store: Path) -> list[dict[str, Any]]:
    """The entries of a backup, none where there is none. Raises BenchError for one that cannot be read."""
    try:
        entries = json.loads((store / INDEX).read_text(encoding="ascii"))["files"]
        return [{key: entry[key] for key in ("name", "file", "sha256")} for entry in entries]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BenchError(f"{store}: the backup of the firmware cannot be read: {error}") from error


def hidden_by(board: Board, files: Mapping[str, bytes]) -> list[str]:
    """Files that the board would never import, because it holds what it takes before them, a line each.

    MicroPython takes a folder of a module's name first, then NAME.py, then NAME.mpy (py/builtinimport.c, from memory).
    """
    hiding = []
    for name in files:
        stem, _, ending = name.rpartition(".")
        for before in (stem, f"{stem}.py") if ending == "mpy" else (stem,):
            given = any(other == before or other.startswith(f"{before}/") for other in files)
            if not given and exists(board, before):
                hiding.append(
                    f"the board holds {before}, which it would import in place of {name}: remove it from the board; "
                    "nothing was changed"
                )
    return hiding


def install(board: Board, files: dict[str, bytes]) -> None:
    """Write each file beside its name, check it there, rename it."""
    for name, content in files.items():
        folder = name.rpartition("/")[0]
        if folder:
            make_folders(board, folder)
        beside = name + BESIDE
        board.write_file(beside, content)
        if hashlib.sha256(board.read_file(beside)).digest() != hashlib.sha256(content).digest():
            raise BenchError(f"firmware: {name} arrived on the board damaged; the old one is still in place")
        board.rename(beside, name)


def put_back(board: Board, store: Path) -> None:
    """Put the saved firmware back and forget the backup. Raises BenchError, and then keeps the backup."""
    index = saved_before(store)
    if not index:
        raise BenchError(f"{store}: the backup of the firmware is gone; nothing was written to the board")
    try:
        saved = {
            entry["name"]: None if entry["file"] is None else (store / Path(entry["file"]).name).read_bytes()
            for entry in index
        }
        whole = all(
            content is None or hashlib.sha256(content).hexdigest() == entry["sha256"]
            for entry, content in zip(index, saved.values(), strict=True)
        )
    except (OSError, ValueError, TypeError) as error:
        raise BenchError(f"{store}: the backup of the firmware cannot be read: {error}") from error
    if not whole or not all(NAME.fullmatch(name.rpartition("/")[2]) for name in saved):
        raise BenchError(f"{store}: the backup of the firmware is damaged; not written to the board")
    board.enter()
    install(board, {name: content for name, content in saved.items() if content is not None})
    for name, content in saved.items():
        for left in ([name] if content is None else []) + [name + BESIDE]:
            if on_board(board, left) is not None:
                board.remove(left)
    forget(store)


def _dropped(store: Path) -> None:
    forget(store)


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


def make_folders(board: Board, folder: str) -> None:
    """Make a folder on the board with those above it; one that is there is left as it is."""
    board.execute(
        "import os\np=''\n"
        f"for d in {folder!r}.split('/'):\n p+=d\n try:\n  os.mkdir(p)\n except OSError:\n  pass\n p+='/'\n"
    )
