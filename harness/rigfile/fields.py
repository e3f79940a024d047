"""Validators of single entries. Each says what it expects in words; the loader adds file, key and what was found.

pydantic walks the sections; these judge the leaves, so that every message reads the same.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from pydantic import PlainValidator
from pydantic_core import PydanticCustomError

from harness.nouns.names import PhaseTerminal
from harness.rigfile.known import Accuracy, Detect, RequirementLimits, StatedValue

NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")
"""Names of motors and instruments: they become parts of quantity names and of file names."""
LONGEST_ADDRESS = 200
"""Characters (arbitrary)."""


def refuse(expected: str) -> PydanticCustomError:
    """The error of one entry."""
    return PydanticCustomError("expected", "expected {expected}", {"expected": expected})


def refuse_inside(problems: Mapping[str, str | None], allowed: Sequence[str] = ()) -> PydanticCustomError:
    """The error of an inline table: what was expected at each of its keys that is wrong, "" for the table itself,
    None for a key that means nothing there (then `allowed` lists those that do)."""
    return PydanticCustomError("inside", "wrong inside", {"problems": dict(problems), "allowed": tuple(allowed)})


def plain(number: float) -> str:
    """A limit as a person would write it."""
    return f"{number:g}"


def _span(low: float | None, high: float | None, value: object = None) -> str:
    """The range in words; only the end that a number is beyond, where it is beyond one."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        if low is not None and value < low:
            return f" from {plain(low)}"
        if high is not None and value > high:
            return f" up to {plain(high)}"
    if low is not None and high is not None:
        return f" from {plain(low)} to {plain(high)}"
    if low is not None:
        return f" from {plain(low)}"
    return f" up to {plain(high)}" if high is not None else ""


def _as_number(value: object, low: float | None, high: float | None) -> float | None:
    """The number if it is one, finite and inside; None otherwise. Compares before converting: an int may be huge."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if (low is not None and value < low) or (high is not None and value > high):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


def integer(low: int, high: int) -> PlainValidator:
    """An integer within limits."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise refuse(f"an integer{_span(low, high, value)}")
        return value

    return PlainValidator(check)


def number(low: float | None = None, high: float | None = None) -> PlainValidator:
    """A finite number within limits."""

    def check(value: Any) -> float:
        number_given = _as_number(value, low, high)
        if number_given is None:
            raise refuse(f"a number{_span(low, high, value)}")
        return number_given

    return PlainValidator(check)


def text(expected: str, pattern: str | None = None, longest: int = 200) -> PlainValidator:
    """Text of at most `longest` characters that matches a pattern as a whole. Control characters are refused before."""
    compiled = re.compile(pattern) if pattern is not None else None

    def check(value: Any) -> str:
        if not isinstance(value, str) or len(value) > longest or (compiled and not compiled.fullmatch(value)):
            raise refuse(expected)
        return value

    return PlainValidator(check)


def address(expected: str, is_allowed: Callable[[str], bool]) -> PlainValidator:
    """An address that a library is going to interpret: one of the forms that are allowed."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or len(value) > LONGEST_ADDRESS or not is_allowed(value):
            raise refuse(expected)
        return value

    return PlainValidator(check)


def choice(*allowed: str | int) -> PlainValidator:
    """One of a few."""
    words = " or ".join(f'"{entry}"' if isinstance(entry, str) else str(entry) for entry in allowed)

    def check(value: Any) -> Any:
        if isinstance(value, bool) or value not in allowed:
            raise refuse(words)
        return value

    return PlainValidator(check)


def pin(value: Any) -> int | str:
    """A pin as MicroPython's machine.Pin takes it: a number or a name."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 255:
        return value
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z][A-Za-z0-9_.]{0,15}", value):
        return value
    raise refuse('a pin: a number from 0 to 255 or a name such as "X1"')


def listed(expected: str, judge: Callable[[Any], Any], shortest: int, longest: int) -> PlainValidator:
    """A list whose entries pass `judge` (which raises by `refuse`)."""

    def check(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list) or not shortest <= len(value) <= longest:
            raise refuse(expected)
        return tuple(judge(entry) for entry in value)

    return PlainValidator(check)


WIDTHS = ("tolerance", "tolerance_percent", "standard", "expanded")
KNOWN_FORM = "{ value = ..., tolerance = ... } (or tolerance_percent, standard, expanded)"


def known(low: float, high: float) -> PlainValidator:
    """An uncertain number: a table of a value within limits and exactly one width, which must not reach below zero
    where the value may not be negative."""

    def check(value: Any) -> StatedValue:
        if not isinstance(value, Mapping):
            raise refuse(f"{KNOWN_FORM}, the value{_span(low, high)}")
        problems = unknown_inside(value, ("value", *WIDTHS))
        nominal = _as_number(value.get("value"), low, high)
        if nominal is None:
            problems["value"] = f"a number{_span(low, high, value.get('value'))}"
        widths = [name for name in WIDTHS if name in value]
        width: float | None = None
        if len(widths) != 1:
            problems[""] = f"exactly one of {', '.join(WIDTHS)}"
        else:
            most = 100.0 if widths[0] == "tolerance_percent" else None
            width = _as_number(value[widths[0]], 0.0, most)
            if width is None:
                problems[widths[0]] = f"a number{_span(0.0, most, value[widths[0]])}"
        if problems or nominal is None or width is None:
            raise refuse_inside(problems, ("value", *WIDTHS))
        form = widths[0]
        if form == "tolerance_percent":
            form, width = "tolerance", abs(nominal) * width / 100.0
        if form == "tolerance" and low >= 0.0 and width > nominal:
            raise refuse_inside({widths[0]: f"at most {plain(nominal)}, or the value could be negative"})
        return StatedValue(value=nominal, width=width, form=form)  # type: ignore[arg-type]

    return PlainValidator(check)


def _parts(value: Any, allowed: Sequence[str], low: float | None, expected: str) -> dict[str, float]:
    """The numbers of a small table of optional keys, all from `low`."""
    if not isinstance(value, Mapping):
        raise refuse(expected)
    problems = unknown_inside(value, allowed)
    parts: dict[str, float] = {}
    for name in allowed:
        if name in value:
            entry = _as_number(value[name], low, None)
            if entry is None:
                problems[name] = f"a number{_span(low, None, value[name])}"
            else:
                parts[name] = entry
    if problems:
        raise refuse_inside(problems, allowed)
    return parts


def accuracy(value: Any) -> Accuracy:
    """{ percent = of reading, offset = in the unit }, half-widths."""
    parts = _parts(value, ("percent", "offset"), 0.0, "{ percent = of reading, offset = in the unit }")
    for name in ("percent", "offset"):
        if name not in parts:
            raise refuse_inside({name: "a number from 0 (write 0 where the data sheet has none)"})
    if parts["percent"] == 0.0 and parts["offset"] == 0.0:
        raise refuse("an accuracy greater than 0; no instrument is exact")
    return Accuracy(percent=parts["percent"], offset=parts["offset"])


def detect(value: Any) -> Detect:
    """{ percent = ... } of the expected value or { absolute = ... } in SI units."""
    expected = "{ percent = ... } or { absolute = ... }, greater than 0"
    parts = _parts(value, ("percent", "absolute"), 0.0, expected)
    if len(parts) != 1 or not all(parts.values()):
        raise refuse(expected)
    return Detect(percent=parts.get("percent"), absolute=parts.get("absolute"))


def limits(value: Any) -> RequirementLimits:
    """{ min = ..., max = ... }, one of them or both, in SI units."""
    parts = _parts(value, ("min", "max"), None, "{ min = ... }, { max = ... } or both")
    if not parts:
        raise refuse("{ min = ... }, { max = ... } or both")
    low, high = parts.get("min"), parts.get("max")
    if low is not None and high is not None and low >= high:
        raise refuse("min below max")
    return RequirementLimits(min=low, max=high)


def unknown_inside(table: Mapping[str, Any], allowed: Sequence[str]) -> dict[str, str | None]:
    """Keys of an inline table that mean nothing there, as `refuse_inside` takes them."""
    return {str(key): None for key in table if key not in allowed}


def name_of_quantity(value: Any) -> str:
    """A dotted name of a check or quantity; whether it exists is a cross-key check."""
    if not isinstance(value, str) or not re.fullmatch(r"[a-z0-9_]+(\.[a-z0-9_]+){0,2}", value):
        raise refuse("names of checks or quantities, such as step or step.overshoot")
    return value


def day(value: Any) -> date:
    """A day, as TOML writes one."""
    if not isinstance(value, date) or isinstance(value, datetime):
        raise refuse("a day, such as 2027-06-30 without quotes")
    return value


def file_name(value: Any) -> str:
    """A plain name of a MicroPython file."""
    if not isinstance(value, str) or not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]{0,63}\.(py|mpy)", value):
        raise refuse('file names, such as "main.py"')
    return value


def terminal(value: Any) -> PhaseTerminal:
    """A motor's terminal, as MOTOR.PHASE; whether the motor exists is a cross-key check."""
    if not isinstance(value, str) or not re.fullmatch(r"[a-z][a-z0-9_]*\.[ABC]", value):
        raise refuse('a terminal, such as "leaf.B"')
    return PhaseTerminal(value)
