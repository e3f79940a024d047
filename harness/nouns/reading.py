"""A reading of an instrument, with what its data sheet promises, as a quantity with budget.

Gain and offset of one function of one instrument are the same error at every reading, so they keep one
source name each (`instrument.meter.voltage_gain`): a ratio of two readings cancels the gain, a difference the offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from harness.nouns.quantity import Contribution, Quantity


class AccuracyEntry(Protocol):
    """An accuracy as the rig file gives it: half-widths, in percent of reading and in the unit read."""

    @property
    def percent(self) -> float: ...
    @property
    def offset(self) -> float: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """`value` in `unit`, read by `function` (`voltage`, `current`, `temperature`) of instrument `name`.

    `noise_u` is the standard uncertainty of the mean from its own spread, with `noise_dof` degrees of freedom;
    0 for a single reading, whose noise is part of the accuracy entry.
    """

    name: str
    function: str
    value: float
    unit: str
    accuracy: AccuracyEntry
    noise_u: float = 0.0
    noise_dof: float = math.inf
    number: int = 0
    """Counts the readings of one instrument, so that the noise of two readings is not taken for the same error."""

    @property
    def half_width(self) -> float:
        """Half-width of the accuracy entry at this reading."""
        return abs(self.value) * self.accuracy.percent / 100.0 + self.accuracy.offset

    def quantity(self, noise_source: str = "") -> Quantity:
        """With sources `instrument.NAME.FUNCTION_gain` and `..._offset`, each rectangular, and the noise if known.

        `noise_source` names the noise; by default it is this reading's own.
        """
        source = f"instrument.{self.name}.{self.function}"
        remedy = f"a more accurate {self.function} reading"
        gain_u = self.value * self.accuracy.percent / 100.0 / math.sqrt(3.0)
        offset_u = self.accuracy.offset / math.sqrt(3.0)
        budget = {
            f"{source}_gain": Contribution(u=gain_u, shape="rectangular", remedy=remedy),
            f"{source}_offset": Contribution(u=offset_u, shape="rectangular", remedy=remedy),
            noise_source or f"{source}_noise_{self.number}": Contribution(
                u=self.noise_u, dof=self.noise_dof, remedy="more readings"
            ),
        }
        return Quantity(value=self.value, unit=self.unit, budget={key: part for key, part in budget.items() if part.u})
