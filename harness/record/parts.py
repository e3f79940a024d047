"""Properties of a record: read when first asked for, kept, and refused in words where they are not what they should be.

rig = value(RigEntry)                        what stands under the property's own name
seed = optional(int)                         the same, or None
planned = tuple_of(str)                      a list of them
instruments = mapping_of(InstrumentEntry)    several by their names

@part
def verdicts(self) -> list[Verdict]: ...
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from harness.base.errors import MeasurementError, RecordError
from harness.base.words import visible
from harness.record.values import Damage, read_as

T = TypeVar("T")


class DamagedRecord(RecordError):
    """A part of a record is not what it should be; `what` says which, what was expected, what was found."""

    def __init__(self, folder: Path, what: str) -> None:
        super().__init__(f"{visible(str(folder))}: damaged record: {what}")
        self.what = what


class Holder(Protocol):
    """What has such properties."""

    folder: Path

    def _entry(self, name: str) -> Any:
        """What stands under a name. Raises Damage where nothing does."""
        ...


class part(cached_property[T]):
    """A property made from entries of a record. The only place where what is wrong with one becomes an error."""

    def __init__(self, read: Callable[[Any], T]) -> None:
        def guarded(record: Holder) -> T:
            try:
                return read(record)
            except (Damage, MeasurementError) as error:
                raise DamagedRecord(record.folder, visible(str(error))) from error

        super().__init__(guarded)
        self.__doc__ = read.__doc__

    if not TYPE_CHECKING:  # its type is that of cached_property

        def __get__(self, record: Any, owner: Any = None) -> Any:
            """Without the lock of `cached_property`, which takes as long as to read a short entry; two threads may both
            read one, and find the same."""
            if record is None:
                return self
            found = record.__dict__[self.attrname] = self.func(record)
            return found


class _Value(part[T]):
    def __init__(self, kind: Any) -> None:
        def read(record: Holder) -> T:
            name = str(self.attrname)
            found: T = read_as(kind, record._entry(name), name)
            return found

        super().__init__(read)


def value(kind: type[T]) -> part[T]:
    """What stands under the property's name: a text, a number, one of `entries`."""
    return _Value(kind)


def optional(kind: type[T]) -> part[T | None]:
    """The same, None where the record says null."""
    return _Value(kind | None)


def tuple_of(kind: type[T]) -> part[tuple[T, ...]]:
    """A list of them."""
    return _Value(tuple[kind, ...])  # type: ignore[valid-type]


def mapping_of(kind: type[T]) -> part[Mapping[str, T]]:
    """Several by their names."""
    return _Value(Mapping[str, kind])  # type: ignore[valid-type]
