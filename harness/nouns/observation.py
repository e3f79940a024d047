"""Raw samples with column names and units, and the conditions they were taken under.

The raw integers as they came from the board or instrument are kept; `scale` turns a column into SI.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError

Condition: TypeAlias = "float | str | Sequence[Condition] | Mapping[str, Condition] | None"
"""What JSON knows; None for what this rig could not read."""
Conditions = Mapping[str, Condition]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of an observation: raw value times `scale` is in `unit` (SI)."""

    name: str
    unit: str
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """An observation without its samples.

    `name` is unique in a record (`leaf.stiffness.open_loop_up`). `conditions` holds what was set and what was read
    once: amplitude, set point, supply voltage, room temperature. They are read by the methods below, which raise
    MeasurementError, naming observation and condition, where one is of another kind than it should be.
    """

    name: str
    columns: tuple[Column, ...]
    conditions: Conditions = field(default_factory=dict)

    def states(self, condition: str) -> bool:
        """Whether this condition is known; a rig may lack the instrument that reads it."""
        return self.conditions.get(condition) is not None

    def number(self, condition: str) -> float:
        """A condition that is one number."""
        return _number(self._stated(condition), self._where(condition))

    def whole(self, condition: str) -> int:
        """A condition that is one whole number: counts, a place in a list."""
        return _whole(self._stated(condition), self._where(condition))

    def text(self, condition: str) -> str:
        """A condition that is a word."""
        value = self._stated(condition)
        if not isinstance(value, str):
            raise _other(self._where(condition), "text", value)
        return value

    def texts(self, condition: str) -> list[str]:
        """A condition that is a list of words (n)."""
        where = self._where(condition)
        values = _sequence(self._stated(condition), where)
        for value in values:
            if not isinstance(value, str):
                raise _other(where, "words", value)
        return [str(value) for value in values]

    def numbers(self, condition: str) -> list[float]:
        """A condition that is a list of numbers (n); empty where nothing was read."""
        where = self._where(condition)
        return [_number(value, where) for value in _sequence(self._stated(condition), where)]

    def wholes(self, condition: str) -> list[int]:
        """A condition that is a list of whole numbers (n)."""
        where = self._where(condition)
        return [_whole(value, where) for value in _sequence(self._stated(condition), where)]

    def rows(self, condition: str) -> list[list[float]]:
        """A condition that is a table of numbers (n, columns); empty where nothing was read."""
        where = self._where(condition)
        rows = _sequence(self._stated(condition), where)
        return [[_number(value, where) for value in _sequence(row, where)] for row in rows]

    def series(self, condition: str) -> dict[str, list[float]]:
        """A condition that is lists of numbers by their names; empty where nothing was read."""
        where, value = self._where(condition), self._stated(condition)
        if not isinstance(value, Mapping):
            raise _other(where, "lists of numbers by name", value)
        return {name: [_number(entry, where) for entry in _sequence(entries, where)] for name, entries in value.items()}

    def _stated(self, condition: str) -> Condition:
        if condition not in self.conditions:
            known = ", ".join(self.conditions) or "none"
            raise MeasurementError(f"{self.name}: no condition {condition}; it has {known}")
        return self.conditions[condition]

    def _where(self, condition: str) -> str:
        return f"{self.name}: condition {condition}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation(Description):
    """What one run of a procedure took. `data` is a numpy structured array, one field a column."""

    data: NDArray[np.void]

    def si(self, column: str) -> NDArray[np.float64]:
        """One column in SI units. Raises MeasurementError naming the columns there are."""
        for candidate in self.columns:
            if candidate.name == column:
                return np.asarray(self.data[column], dtype=np.float64) * candidate.scale
        raise MeasurementError(f"{self.name}: no column {column}; it has {', '.join(c.name for c in self.columns)}")


def observation_named(observations: Iterable[Observation], name: str) -> Observation:
    """The one of a name. Raises MeasurementError, which says what there is."""
    there = {observation.name: observation for observation in observations}
    if name not in there:
        raise MeasurementError(f"{name}: no such observation; there are {', '.join(there) or 'none'}")
    return there[name]


def _number(value: Condition, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _other(where, "a number", value)
    return value


def _whole(value: Condition, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _other(where, "a whole number", value)
    return value


def _sequence(value: Condition, where: str) -> Sequence[Condition]:
    if isinstance(value, str) or not isinstance(value, Sequence):
        raise _other(where, "a list", value)
    return value


def _other(where: str, expected: str, value: Condition) -> MeasurementError:
    return MeasurementError(f"{where}: expected {expected}, found {'nothing' if value is None else repr(value)[:40]}")
