"""Raw samples with column names and units, and the conditions they were taken under.

The raw integers as they came from the board or instrument are kept; `scale` turns a column into SI.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Conditions = Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of an observation: raw value times `scale` is in `unit` (SI)."""

    name: str
    unit: str
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What one run of a procedure took. `data` is a numpy structured array, one field a column.

    `name` is unique in a record (`gate.stiffness.open_loop_up`). `conditions` holds what was set and
    what was read once (JSON values only): amplitude, set point, supply voltage, room temperature.
    """

    name: str
    columns: tuple[Column, ...]
    data: NDArray[np.void]
    conditions: Conditions = field(default_factory=dict)

    def si(self, column: str) -> NDArray[np.float64]:
        """One column in SI units. Raises KeyError naming the columns there are."""
        for candidate in self.columns:
            if candidate.name == column:
                return np.asarray(self.data[column], dtype=np.float64) * candidate.scale
        raise KeyError(f"{self.name}: no column {column}; it has {', '.join(c.name for c in self.columns)}")
