"""TOML -> RigSpec. Every problem of a file comes at once, one line each; a user's mistake is never a traceback."""

from __future__ import annotations

import codecs
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from harness.errors import RigFileError
from harness.rigfile import crosscheck, problems
from harness.rigfile.known import Known
from harness.rigfile.spec import RigSpec
from harness.words import visible

LARGEST = 1_000_000
"""Bytes of a rig file, at most. Arbitrary: a real one has some thousand."""
HIDDEN = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x2028, 0x2029}
"""Characters that change how the text round them is shown; refused with the control characters."""


def load(path: Path | str) -> RigSpec:
    """Read a rig file.

    Raises RigFileError with all problems, one line each.
    """
    path = Path(path)
    absent = "no such rig file; `rotorgate inspect --new FILE` writes one to fill in"
    return loads(content_of(path, "rig file", absent), name_of(path))


def loads(content: bytes, file: str) -> RigSpec:
    """A rig file from its bytes; `file` names it in messages. Raises as `load`."""
    text, raw = tables_of(content, file, "rig file")
    found = unclean(raw, file)
    try:
        spec = RigSpec.model_validate(raw)
    except ValidationError as error:
        found += problems.lines(file, error, raw)
    found += [f"{file}: {problems.dotted(place)}: {words}" for place, words in crosscheck.problems(raw)]
    if found:
        raise RigFileError(once_a_place(found))
    placed: RigSpec = _placed(spec, "", file)
    placed._text = text
    placed._sha256 = hashlib.sha256(content).hexdigest()
    placed._file = file
    return placed


def content_of(path: Path, what: str, absent: str) -> bytes:
    """Bytes of a person's file, a few more than allowed at most; `absent` is said where there is none.

    Raises RigFileError.
    """
    try:
        if path.is_dir():
            raise RigFileError([f"{name_of(path)}: expected a {what}, found a folder"])
        with path.open("rb") as stream:
            return stream.read(LARGEST + 1)
    except FileNotFoundError as error:
        raise RigFileError([f"{visible(str(path))}: {absent}"]) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RigFileError([f"{visible(str(path))}: cannot read the {what}: {reason}"]) from error


def tables_of(content: bytes, file: str, what: str) -> tuple[str, dict[str, Any]]:
    """Text and TOML tables of a person's file. Raises RigFileError."""
    if len(content) > LARGEST:
        raise RigFileError([f"{file}: expected at most {LARGEST} bytes, found more; this is no {what}"])
    text = _decoded(content, file)
    return text, _parsed(text, file, what)


def name_of(path: Path) -> str:
    """A file's name for messages."""
    return visible(path.name or str(path))


def _decoded(content: bytes, file: str) -> str:
    try:
        return content.removeprefix(codecs.BOM_UTF8).decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        found = f"expected UTF-8 text, found byte {content[error.start]:#04x}"
        raise RigFileError([f"{file}: line {line}: {found}"]) from error


def _parsed(text: str, file: str, what: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RigFileError([f"{file}: not valid TOML: {visible(str(error))}"]) from error
    except RecursionError as error:
        raise RigFileError([f"{file}: nested too deeply for a {what}"]) from error
    except ValueError as error:  # an integer of more digits than Python converts, a date that does not exist
        raise RigFileError([f"{file}: not valid TOML: {visible(str(error))}"]) from error


def unclean(raw: Mapping[str, Any], file: str) -> list[str]:
    """The lines for control characters, NaN and infinities."""
    return [f"{file}: {problems.dotted(place)}: {words}" for place, words in _unclean(raw)]


def _unclean(raw: Mapping[str, Any]) -> Iterator[crosscheck.Problem]:
    """Control characters in any key or text, NaN and infinities anywhere. Without recursion: a file may nest deeply."""
    waiting: list[tuple[problems.Place, Any]] = [((), raw)]
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


def _has_control(words: str) -> bool:
    return any(ord(mark) < 0x20 or 0x7F <= ord(mark) < 0xA0 or ord(mark) in HIDDEN for mark in words)


def once_a_place(found: list[str]) -> list[str]:
    """The lines in their order, those that say the same once; a place's first problem stands for the others."""
    kept: dict[str, str] = {}
    for line in found:
        where = ": ".join(line.split(": ")[:2])
        kept.setdefault(where, line)
    return list(kept.values())


def _placed(value: Any, key: str, file: str) -> Any:
    """The same sections with every Known told its key and file, and every mapping read-only."""
    if isinstance(value, Known):
        return replace(value, key=key, file=file)
    inner = f"{key}." if key else ""
    if isinstance(value, BaseModel):
        changes = {
            name: _placed(getattr(value, name), inner + (field.alias or name), file)
            for name, field in type(value).model_fields.items()
        }
        return value.model_copy(update=changes)
    if isinstance(value, Mapping):
        return MappingProxyType({name: _placed(entry, inner + str(name), file) for name, entry in value.items()})
    return value
