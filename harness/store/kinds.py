"""Kinds of columns, each with the values that it may hold.

SQLite keeps any value in any column, and a store may be a stranger's: what is read is looked at here, once for all
who read it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, ClassVar

from sqlalchemy import BigInteger, Boolean, Dialect, Double, Integer, LargeBinary, Text
from sqlalchemy.types import TypeDecorator


class WrongValue(ValueError):
    """A column holds what it cannot."""


class _Looked(TypeDecorator[Any]):
    """A type whose values are of one of the Python types `of`, or None."""

    of: ClassVar[tuple[type, ...]]
    words: ClassVar[str]

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        """In place of the type's own, which would make a boolean of any word, and a terabyte of a number."""
        del dialect, coltype
        of, words = self.of, self.words

        def look(value: Any) -> Any:
            if value is None or isinstance(value, of):
                return value
            raise WrongValue(f"expected {words} in a column, found {type(value).__name__}")

        return look


class Words(_Looked):
    """Text."""

    impl, of, words = Text, (str,), "text"
    cache_ok = True


class Whole(_Looked):
    """A whole number."""

    impl, of, words = Integer, (int,), "a whole number"
    cache_ok = True


class LongWhole(_Looked):
    """The same of 64 bits."""

    impl, of, words = BigInteger, (int,), "a whole number"
    cache_ok = True


class Packed(_Looked):
    """Bytes."""

    impl, of, words = LargeBinary, (bytes,), "bytes"
    cache_ok = True


class Number(_Looked):
    """A finite number."""

    impl, of, words = Double, (float, int), "a finite number"
    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        """Nothing is made of an infinity, either."""
        look, finite = super().result_processor(dialect, coltype), math.isfinite

        def look_finite(value: Any) -> Any:
            if look(value) is None or finite(value):
                return value
            raise WrongValue(f"expected a finite number in a column, found {value}")

        return look_finite


class Flag(_Looked):
    """True or false, which SQLite keeps as 1 or 0."""

    impl, of, words = Boolean, (int,), "true or false"
    cache_ok = True

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        """As a boolean; a row that is neither would be found by no query."""
        look = super().result_processor(dialect, coltype)

        def look_flag(value: Any) -> bool | None:
            if look(value) is None:
                return None
            if value not in (0, 1):
                raise WrongValue(f"expected true or false in a column, found {value}")
            return bool(value)

        return look_flag
