"""A person's TOML file from disk to plain tables, whatever is in it; its problems in one line each.

`kind` is the error that problems are raised as, `what` the file in words: `rig file`.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from harness.base.errors import FileProblems
from harness.base.words import visible
from harness.rigfile import problems

LARGEST = 1_000_000
"""Bytes of such a file, at most. Arbitrary: a real one has some thousand."""
CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
"""Control characters, and those that change how the text round them is shown."""


def bytes_of(path: Path, what: str, kind: type[FileProblems], *, hint: str = "") -> bytes:
    """The file's bytes, one more than `LARGEST` at most. `hint`: what to do where there is none."""
    try:
        if path.is_dir():
            raise kind([f"{name_of(path)}: expected a {what}, found a folder"])
        with path.open("rb") as stream:
            return stream.read(LARGEST + 1)
    except FileNotFoundError as error:
        raise kind([f"{visible(str(path))}: no such {what}" + (f"; {hint}" if hint else "")]) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise kind([f"{visible(str(path))}: cannot read the {what}: {reason}"]) from error


def tables_of(content: bytes, file: str, what: str, kind: type[FileProblems]) -> tuple[str, dict[str, Any]]:
    """Text and tables of a file; `file` names it in messages."""
    if len(content) > LARGEST:
        raise kind([f"{file}: expected at most {LARGEST} bytes, found more; this is no {what}"])
    text = _decoded(content, file, kind)
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise kind([f"{file}: not valid TOML: {visible(str(error))}"]) from error
    except RecursionError as error:
        raise kind([f"{file}: nested too deeply for a {what}"]) from error
    except ValueError as error:  # an integer of more digits than Python converts, a date that does not exist
        raise kind([f"{file}: not valid TOML: {visible(str(error))}"]) from error


def unclean(raw: Mapping[str, Any]) -> Iterator[problems.Problem]:
    """Control characters in any key or text, NaN and infinities anywhere; without recursion: a file may nest deeply."""
    waiting: list[tuple[problems.KeyPath, Any]] = [((), raw)]
    while waiting:
        place, value = waiting.pop()
        if isinstance(value, Mapping):
            for key, inner in value.items():
                if _has_control(key):
                    yield (*place, key), "control characters are refused in keys"
                waiting.append(((*place, key), inner))
        elif isinstance(value, list):
            waiting.extend(((*place, position), inner) for position, inner in enumerate(value))
        elif isinstance(value, str) and _has_control(value):
            yield place, f"control characters are refused, found {problems.shown(value)}"
        elif isinstance(value, float) and not abs(value) < float("inf"):
            yield place, f"expected a finite number, found {value}"


def name_of(path: Path) -> str:
    """How a file is named in messages."""
    return visible(path.name or str(path))


def _decoded(content: bytes, file: str, kind: type[FileProblems]) -> str:
    try:
        return content.removeprefix(codecs.BOM_UTF8).decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        what = f"expected UTF-8 text, found byte {content[error.start]:#04x}"
        raise kind([f"{file}: line {line}: {what}"]) from error


def _has_control(words: str) -> bool:
    return CONTROL.search(words) is not None
