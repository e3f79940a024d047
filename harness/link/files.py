"""Files put on the board: written only if they differ, and checked there by hash (or length and CRC)."""

from __future__ import annotations

import hashlib
import zlib
from binascii import crc32
from collections.abc import Iterator, Mapping
from itertools import count
from pathlib import PurePosixPath

from harness.base.errors import DeviceError, LinkError, LinkTimeout
from harness.link import snippets
from harness.link.console import Console
from harness.link.protocol import CREDIT, PIECE, Output, Restart, ScriptEnd

BLOCK = 225
"""Size of a block to the board: within the credit, and every count in it plus 32 fits a byte."""
_WINDOW_BITS, _ROOMY_BITS = 12, 15
"""Window of compressed files: 4 KiB of the board's heap while it unpacks, 32 KiB where there is room (the format allows
256 bytes to 32 KiB). Scripts shrink to a third, and a seventh more in the larger one."""
_SUMS_S = 30.0
"""Time to sum files (arbitrary; a CRC without a table in C takes milliseconds a byte on the slowest boards)."""


def deploy(console: Console, scripts: Mapping[str, bytes]) -> list[str]:
    """Put `scripts` (name -> content) where the board imports them; returns the names written.

    Raises LinkError if a file of the board's own would be hidden.
    """
    has = console.abilities
    wanted = {
        name: snippets.slim(data) if "small" in has and name.endswith(".py") else data for name, data in scripts.items()
    }
    folder = f"{snippets.FOLDER}/" if "mkdir" in has else ""
    sums, own = _ask_sums(console, [folder + name for name in wanted], own=bool(folder))
    if hidden := sorted(set(own) & set(wanted)):
        raise LinkError(
            f"{console.port.url}: the board has its own {', '.join(hidden)}, which a device script of that "
            "name would hide: rename the board's file"
        )
    written = [name for name, data in wanted.items() if not _same(sums.get(folder + name, "-"), data)]
    for name in sorted(written, key=lambda name: name != "frames.py"):  # its CRC checks the others
        write_file(console, folder + name, wanted[name])
    if written:
        modules = [PurePosixPath(name).stem for name in written]
        console.execute_checked(f"import sys\nfor n in {modules!r}: getattr(sys, 'modules', {{}}).pop(n, None)\n")
    console.deployed.update(wanted)
    return written


def write_file(console: Console, name: str, data: bytes, timeout_s: float = 60.0) -> None:
    """Write a file under a passing name, check it on the board, then put it in place.

    Raises LinkError if what the board holds differs from what was sent.
    """
    has = console.abilities
    passing = f"{name}.part" if "rename" in has else name
    bits = _ROOMY_BITS if "roomy" in has else _WINDOW_BITS
    packed = _packed(data, bits) if {"binary_in", "deflate"} <= has else data
    if len(packed) < 0.8 * len(data):
        _send_blocks(console, f"{passing}.z", packed, timeout_s)
        console.execute_checked(snippets.EXPAND % {"packed": f"{passing}.z", "name": passing, "bits": bits}, timeout_s)
    elif "binary_in" in has:
        _send_blocks(console, passing, data, timeout_s)
    else:
        _send_literals(console, passing, data, timeout_s)
    sums, _ = _ask_sums(console, [passing])
    if not _same(sums[passing], data):
        raise LinkError(
            f"{console.port.url}: {name}: the board holds something else than was sent "
            f"({sums[passing]}, expected {_sum_of(data, sums[passing])}); its file system may be full"
        )
    if passing != name:
        rename(console, passing, name)


def _packed(data: bytes, bits: int) -> bytes:
    """Raw deflate in a window that the board can hold."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -bits)
    return packer.compress(data) + packer.flush()


def rename(console: Console, old: str, new: str) -> None:
    """Rename over a file that may be there (FAT refuses that)."""
    console.execute_checked(
        f"import os\ntry: os.rename({old!r}, {new!r})\n"
        f"except OSError:\n os.remove({new!r})\n os.rename({old!r}, {new!r})\n"
    )


_PREPARE = f"""\
import os, sys
try: os.mkdir({snippets.FOLDER!r})
except OSError: pass
if {snippets.FOLDER!r} not in sys.path: sys.path.append({snippets.FOLDER!r})
"""


def _ask_sums(console: Console, names: list[str], *, own: bool = False) -> tuple[dict[str, str], list[str]]:
    """What each file holds, as hash, or as length and CRC, or "-"; and the names in the board's own folder."""
    ask = f"for n in {names!r}: print(_sum(n), n)\n"
    if own:
        ask = f"{_PREPARE}for n in os.listdir(): print('own', n)\n{ask}"
    if "hashlib" in console.abilities:
        return _parse(console.execute_checked(snippets.SHA256 + ask, timeout_s=_SUMS_S))
    if not _knows_crc(console):
        return dict.fromkeys(names, "-"), []
    console.execute_checked(snippets.LENGTH_CRC)
    return _parse(console.execute_checked(ask, timeout_s=_SUMS_S))


def _knows_crc(console: Console) -> bool:
    """Have crc32 on a board without hashlib, in short steps: there may be 8 KiB of heap and 2 KiB of stack."""
    module = "binascii" if "binascii" in console.abilities else "frames"
    for _ in range(2):
        try:
            console.execute(f"import gc;gc.collect();from {module} import crc32")
            console.execute("assert crc32(b'123456789') == 0xcbf43926")  # the check value of CRC-32
        except DeviceError as error:
            if "MemoryError" not in error.board_traceback:
                return False
            console.soft_reset()  # what is left of earlier scripts is in the way
        else:
            return True
    return False


def _parse(listed: str) -> tuple[dict[str, str], list[str]]:
    sums: dict[str, str] = {}
    own = []
    for line in listed.splitlines():
        what, _, name = line.partition(" ")
        if what == "own":
            own.append(name)
        else:
            sums[name] = what
    return sums, own


def _sum_of(data: bytes, like: str) -> str:
    return f"{len(data)}:{crc32(data)}" if ":" in like else hashlib.sha256(data).hexdigest()


def _same(reported: str, data: bytes) -> bool:
    return reported == _sum_of(data, reported)


def blocks(data: bytes) -> Iterator[bytes]:
    """`data` as blocks of BLOCK bytes without a byte 03, which would interrupt the board.

    A block: number of bytes of content + 32, number of 03 in it + 32, content with each 03 made 00, the
    place in the content of each 03 + 32, padding. The last block has no content.
    """
    at = 0
    while at < len(data):
        content = data[at : at + BLOCK - 2]
        if len(content) + content.count(3) > BLOCK - 2:
            content = content[: (BLOCK - 2) // 2]  # fits even if every byte is 03
        at += len(content)
        places = bytes(place + 32 for place, byte in enumerate(content) if byte == 3)
        block = bytes((len(content) + 32, len(places) + 32)) + content.replace(b"\x03", b"\x00") + places
        yield block.ljust(BLOCK, b" ")
    yield b"  ".ljust(BLOCK, b" ")


def _send_blocks(console: Console, name: str, data: bytes, timeout_s: float) -> None:
    deadline_s = console.clock.now_s() + timeout_s
    console.start(snippets.RECEIVE % {"name": name, "block": BLOCK}, framed=False)
    pieces = list(blocks(data))
    sent = acknowledged = 0
    printed = b""
    for turn in count():
        happenings = console.hear(deadline_s)
        if happenings is None or console.overdue(deadline_s, turn):
            console.recover()
            raise LinkTimeout(
                f"{console.port.url}: {name}: board took {max(0, acknowledged - 1)} of {len(pieces) - 1} blocks "
                f"within {timeout_s:g} s",
                printed,
            )
        for happening in happenings:
            match happening:
                case Output(text):
                    printed = (printed + text)[-80:]
                    acknowledged += text.count(b"+")
                case ScriptEnd(traceback):
                    if raised := console.failure(traceback):
                        raise raised
                    return
                case Restart(text):
                    error = console.restart(printed + text)
                    console.recover()
                    raise error
                case _:
                    pass
        if acknowledged:
            credit = acknowledged - 1 + CREDIT // BLOCK
            ready = b"".join(pieces[sent:credit])
            sent = max(sent, min(credit, len(pieces)))
            if ready:
                console.port.write(ready)


def _send_literals(console: Console, name: str, data: bytes, timeout_s: float) -> None:
    console.execute(f"_f = open({name!r}, 'wb')")
    try:
        at = 0
        while at < len(data):
            count = PIECE - 12
            while len(command := f"_f.write({data[at : at + count]!r})") > PIECE:
                count = count * 3 // 4
            console.execute(command, timeout_s)
            at += count
    finally:
        console.execute("_f.close()")
