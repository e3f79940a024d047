"""Numbers that a person knows only so well: value, width, and where in the rig file they stand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from harness.nouns.quantity import Quantity, normal, rectangular
from harness.nouns.results import Detect

__all__ = ["Accuracy", "Detect", "Form", "RequirementLimits", "StatedValue"]

Form = Literal["tolerance", "standard", "expanded"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedValue:
    """A value from the rig file with its uncertainty.

    `width` is the half-width of a rectangular distribution (`form` "tolerance"), a standard uncertainty
    ("standard"), or an expanded one with k = 2 ("expanded"), in the unit of the value. `key` is the dotted
    key it stands at, `file` the rig file's name: they make the source of every budget that uses it.
    """

    value: float
    width: float
    form: Form = "tolerance"
    key: str = ""
    file: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty (JCGM 100:2008, 4.3.7 for a half-width; 4.3.3 for an expanded one)."""
        return self.width / {"tolerance": math.sqrt(3.0), "standard": 1.0, "expanded": 2.0}[self.form]

    @property
    def low(self) -> float:
        """Lower end: value less the half-width, or less twice the standard uncertainty."""
        return self.value - self._reach

    @property
    def high(self) -> float:
        """Upper end, as `low`."""
        return self.value + self._reach

    @property
    def _reach(self) -> float:
        return self.width if self.form != "standard" else 2.0 * self.width

    def quantity(self, unit: str = "") -> Quantity:
        """As a quantity in `unit`, with the dotted key as its one source."""
        remedy = f"know {self.key} better"
        if self.form == "tolerance":
            return rectangular(self.value, self.width, unit, self.key, remedy=remedy)
        return normal(self.value, self.u, unit, self.key, remedy=remedy)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """An instrument's accuracy as data sheets give it: percent of reading plus an offset in the unit (half-widths)."""

    percent: float
    offset: float

    def half_width(self, reading: float) -> float:
        """Half-width at a reading, in its unit."""
        return abs(reading) * self.percent / 100.0 + self.offset


@dataclass(frozen=True, slots=True, kw_only=True)
class RequirementLimits:
    """A requirement of the application: `min`, `max` or both, in SI units."""

    min: float | None = None
    max: float | None = None
