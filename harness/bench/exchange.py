"""Putting a firmware on the board, and the old one back.

The supply is off. Each file is written under another name, checked there, and renamed; what was there before is on
this machine's disk, synced, before the first write (backups.py), so that after a kill `--restore` alone finds it.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.errors import BenchError, UsageError
from harness.base.words import visible
from harness.bench.backups import (
    back_up,
    check_same_board,
    contents,
    exists,
    forget,
    on_board,
    place_of,
    saved_before,
)

if TYPE_CHECKING:
    from harness.bench.rig import Rig
    from harness.link.board import Board, BoardIdentity
    from harness.rigfile import RigSpec

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}\.(py|mpy)")
PART = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")
RUN_AT_START = ("boot.py", "main.py")
LARGEST = 512 * 1024
"""Bytes of one file, at most. Arbitrary: more than a small board can hold."""
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
    rig: Rig,
    path: Path | None,
    *,
    restore: bool,
    hold: bool = False,
    held: Path | None = None,
    folder: Path | None = None,
) -> Callable[[], None] | None:
    """Put the firmware at `path` on the board; without a path put back what a killed run left in the backup.

    Returns what puts the old one back at the end, if `restore` asks for that; with `hold` neither that is done nor the
    backup forgotten: the caller does one of both later. `held` is the backup of an earlier exchange, where it is known:
    a simulated bench that is started anew has another port. Raises UsageError, BenchError.
    """
    store = held or backup_of(rig, folder)
    board = rig.board
    if path is None:
        if not saved_before(store):
            raise UsageError("--restore: no backup of an earlier firmware of this board; nothing was changed")
        check_same_board(board, store)
        put_back(board, store)
        return None
    files = firmware_files(path, rig.spec)
    if hidden := hidden_by(board, files):
        raise UsageError("\n".join(f"--firmware {visible(str(path))}: {line}" for line in hidden))
    back_up(board, store, files, rig.identity, rig.spec.board.port)
    install(board, files)
    board.soft_reset()
    if hold:
        return None
    return partial(put_back, board, store) if restore else partial(_dropped, store)


def backup_of(rig: Rig, folder: Path | None = None) -> Path:
    """Where the backup of a board's firmware lies, if there is one."""
    return place_of(rig.identity, rig.spec, folder)


@contextlib.contextmanager
def on_trial(
    board: Board, spec: RigSpec, identity: BoardIdentity, path: Path, folder: Path | None = None
) -> Iterator[None]:
    """The firmware at `path` on the board for as long as it is looked at, supply off; then the one from before.

    Raises UsageError, BenchError.
    """
    files = firmware_files(path, spec)
    if hidden := hidden_by(board, files):
        raise UsageError("\n".join(f"--firmware {visible(str(path))}: {line}" for line in hidden))
    store = place_of(identity, spec, folder)
    back_up(board, store, files, identity, spec.board.port)
    try:
        install(board, files)
        board.soft_reset()
        yield
    finally:
        put_back(board, store)


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
    saved = contents(store)
    if not saved:
        raise BenchError(f"{store}: the backup of the firmware is gone; nothing was written to the board")
    names = [name.split("/") for name in saved]
    if not all(NAME.fullmatch(file) and all(map(PART.fullmatch, parts)) for *parts, file in names):
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


def make_folders(board: Board, folder: str) -> None:
    """Make a folder on the board with those above it; one that is there is left as it is."""
    board.execute(
        "import os\np=''\n"
        f"for d in {folder!r}.split('/'):\n p+=d\n try:\n  os.mkdir(p)\n except OSError:\n  pass\n p+='/'\n"
    )
