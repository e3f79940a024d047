"""Parameters to values and values to replies: MIN|MAX|DEF, multipliers, booleans, words, NR1 and NR3 numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .errors import ScpiError
from .headers import forms
from .syntax import Parameter

# IEEE 488.2, table 7-1. M is milli except before HZ and OHM, where it is mega; MA is always mega.
MULTIPLIERS = {
    "": 1.0, "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
MEGA_WITH_M = frozenset({"HZ", "OHM"})

OVER_RANGE = 9.9e37  # SCPI-1999 volume 1, 7.2.1.4: infinity
NOT_A_NUMBER = 9.91e37

_FORBIDDEN = {"number": -128, "character": -148, "string": -158, "block": -168}


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What a numeric setting accepts, in `unit` (capitals, empty for a plain number)."""

    low: float
    high: float
    default: float
    unit: str = ""

    def bound(self, parameter: Parameter) -> float | None:
        """The value that MINimum, MAXimum or DEFault stands for, else None."""
        for word, value in (("MINimum", self.low), ("MAXimum", self.high), ("DEFault", self.default)):
            if parameter.kind == "character" and parameter.text in forms(word):
                return value
        return None

    def read(self, parameter: Parameter) -> float:
        """The parameter in `unit`; raises ScpiError for anything else or out of range."""
        bound = self.bound(parameter)
        if bound is not None:
            return bound
        if parameter.kind == "character":
            raise ScpiError(-141, parameter.text)
        if parameter.kind != "number":
            raise ScpiError(_FORBIDDEN[parameter.kind])
        value = parameter.value * self._multiplier(parameter.suffix)
        if not (math.isfinite(value) and self.low <= value <= self.high):
            raise ScpiError(-222, parameter.text)
        return value

    def _multiplier(self, suffix: str) -> float:
        if not suffix:
            return 1.0
        if not self.unit:
            raise ScpiError(-138, suffix)
        prefix = suffix.removesuffix(self.unit)
        if not suffix.endswith(self.unit) or prefix not in MULTIPLIERS:
            raise ScpiError(-131, suffix)
        if prefix == "M" and self.unit in MEGA_WITH_M:
            return MULTIPLIERS["MA"]
        return MULTIPLIERS[prefix]


def read_boolean(parameter: Parameter) -> bool:
    """ON, OFF or a number that is rounded: 0 is off (SCPI-1999 volume 1, 7.3)."""
    if parameter.kind == "number":
        if parameter.suffix:
            raise ScpiError(-138, parameter.suffix)
        return round(min(abs(parameter.value), 1e9)) != 0
    if parameter.kind == "character" and parameter.text in {"ON", "OFF"}:
        return parameter.text == "ON"
    raise ScpiError(-224 if parameter.kind == "character" else _FORBIDDEN[parameter.kind], parameter.text)


def read_word(parameter: Parameter, words: tuple[str, ...]) -> str:
    """One of `words` (as the standard writes them), returned as written there."""
    if parameter.kind != "character":
        raise ScpiError(_FORBIDDEN[parameter.kind], parameter.text)
    for word in words:
        if parameter.text in forms(word):
            return word
    raise ScpiError(-224, parameter.text)


def nr3(value: float) -> str:
    """A number with exponent, as readings and settings are answered."""
    return f"{value:+.8E}"
