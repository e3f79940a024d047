"""JSON values taken for what they should be; one that is something else is named with its place."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields, is_dataclass
from functools import cache, partial
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from harness.base.words import visible

LARGEST = 1e100
"""Of a number in a record, either way (arbitrary): no quantity comes near, and the square of it is still a number."""
T = TypeVar("T")
Reader = Callable[[Any, str], Any]


class Damage(ValueError):
    """A value of a record is not what it should be: where, expected, found.

    A reader of an object or a list puts its own place before that of the value inside it, once something is wrong: to
    spell out every place of a sound record takes as long as to read it.
    """


def text(value: Any, where: str) -> str:
    """A text."""
    if not isinstance(value, str):
        raise _other(where, "text", value)
    return value


def number(value: Any, where: str) -> float:
    """A number no larger than LARGEST, either way."""
    try:
        found = math.nan if isinstance(value, bool) or not isinstance(value, int | float) else float(value)
    except OverflowError:  # an integer of some hundred digits
        found = math.inf
    if not abs(found) <= LARGEST:
        raise _other(where, "a number", value)
    return found


def whole(value: Any, where: str) -> int:
    """A whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise _other(where, "a whole number", value)
    return value


def flag(value: Any, where: str) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise _other(where, "true or false", value)
    return value


def table(value: Any, where: str) -> Mapping[str, Any]:
    """A JSON object."""
    if not isinstance(value, dict):
        raise _other(where, "an object", value)
    return value


def listed(value: Any, where: str) -> Sequence[Any]:
    """A JSON array."""
    if not isinstance(value, list):
        raise _other(where, "a list", value)
    return value


def at(values: Mapping[str, Any], key: str, where: str) -> Any:
    """What stands under a key that must be there."""
    if key not in values:
        raise Damage(f"{where}: expected {key!r} in it")
    return values[key]


def read_as(kind: type[T], value: Any, where: str) -> T:
    """A frozen dataclass from a JSON object: its fields by their names, without the `_` that a word of Python takes.

    Fields are texts, numbers, dataclasses, None, and tuples and mappings of these. One with a default may be absent:
    the default is what an older record means by its silence. Raises Damage.
    """
    any_kind: Any = kind
    found: T = _reader(any_kind)(value, where)
    return found


_PLAIN: Mapping[Any, Reader] = {str: text, float: number, int: whole, bool: flag}


@cache
def _reader(kind: Any) -> Reader:
    origin, parts = get_origin(kind), get_args(kind)
    if kind in _PLAIN:
        return _PLAIN[kind]
    if is_dataclass(kind):
        return _of_object(kind)
    if origin in (Union, UnionType) and NoneType in parts:
        (part,) = (_reader(part) for part in parts if part is not NoneType)
        return lambda value, where: None if value is None else part(value, where)
    if origin is tuple:
        each = _reader(parts[0])
        size = None if Ellipsis in parts else len(parts)
        return partial(_read_list, each, size)
    if origin is Mapping:
        inner = _reader(parts[1])
        return partial(_read_table, inner)
    raise TypeError(f"no reader for {kind}")


def _of_object(kind: Any) -> Reader:
    hints = get_type_hints(kind)
    each = [(field.name, field.name.rstrip("_"), _reader(hints[field.name])) for field in fields(kind)]
    silent = {
        field.name.rstrip("_")
        for field in fields(kind)
        if field.default is not MISSING or field.default_factory is not MISSING
    }

    def read(value: Any, where: str) -> Any:
        stated = table(value, where)
        try:
            return kind(
                **{name: reader(stated[key], key) for name, key, reader in each if key in stated or key not in silent}
            )
        except KeyError as error:
            raise Damage(f"{where}: expected {error} in it") from error
        except Damage as error:
            raise Damage(f"{where}.{error}") from error

    return read


def _read_list(each: Reader, size: int | None, value: Any, where: str) -> tuple[Any, ...]:
    entries = _sized(value, where, size)
    try:
        return tuple([each(entry, "") for entry in entries])
    except Damage:
        for place, entry in enumerate(entries):  # again, to say where
            each(entry, f"{where}[{place}]")
        raise


def _read_table(inner: Reader, value: Any, where: str) -> dict[str, Any]:
    stated = table(value, where)
    try:
        return {key: inner(entry, "") for key, entry in stated.items()}
    except Damage:
        for key, entry in stated.items():  # again, to say where
            inner(entry, f"{where}.{key}")
        raise


def _sized(value: Any, where: str, size: int | None) -> Sequence[Any]:
    found = listed(value, where)
    if size is not None and len(found) != size:
        raise _other(where, f"a list of {size}", value)
    return found


def _other(where: str, expected: str, found: Any) -> Damage:
    return Damage(f"{where}: expected {expected}, found {visible(repr(found)[:40])}")
