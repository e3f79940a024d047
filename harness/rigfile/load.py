"""TOML -> RigSpec. Every problem of a file comes at once, one line each; a user's mistake is never a traceback."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from harness.base.errors import RigFileError
from harness.rigfile import crosscheck, problems, toml
from harness.rigfile.known import StatedValue
from harness.rigfile.spec import RigSpec

WHAT = "rig file"


def load(path: Path | str) -> RigSpec:
    """Read a rig file.

    Raises RigFileError with all problems, one line each.
    """
    path = Path(path)
    hint = "`rotorgate inspect --new FILE` writes one to fill in"
    return loads(toml.bytes_of(path, WHAT, RigFileError, hint=hint), toml.name_of(path))


def loads(content: bytes, file: str) -> RigSpec:
    """A rig file from its bytes; `file` names it in messages. Raises as `load`."""
    text, raw = toml.tables_of(content, file, WHAT, RigFileError)
    problems_found = list(toml.unclean(raw))
    try:
        spec = RigSpec.model_validate(raw)
    except ValidationError as error:
        problems_found += problems.of_validation(error, raw, RigSpec)
    problems_found += crosscheck.problems(raw)
    if problems_found:
        raise RigFileError(problems.once_a_place(file, problems_found))
    placed: RigSpec = _placed(spec, "", file)
    placed.read_from(content, text, file)
    return placed


def _placed(value: Any, key: str, file: str) -> Any:
    """The same sections with every Known told its key and file, and every mapping read-only."""
    if isinstance(value, StatedValue):
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
