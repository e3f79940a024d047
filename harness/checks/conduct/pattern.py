"""What the pins say of a field: amplitude, and how far it is from the one that was asked for.

Three shares of time a, b, c make one vector, 2/3 (a + b e^(j 120 deg) + c e^(-j 120 deg)), without zero sequence:
a centred wave is the same field as a plain sine. Amplitude 1 is a phase voltage peak of half the supply, so that it is
half in shares of time. (The space vector of three-phase quantities: Kovacs and Racz, 1959, from memory.)

Phases that are scaled, exchanged, turned or left where they were give what is linear in the vector asked: found =
p asked + n conj(asked) + c. With the field at many angles the three are known from all the readings together, and what
is left over is the reading's own scatter, instants in whole microseconds among it: no two angles have the same duties.
Where more is left than reading can leave, fields are wrong at some angles only: each is held against what was asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN

WHOLE = 10000.0
"""Shares of time come in these parts."""
ROTATION = np.exp(1j * math.tau / 3.0 * np.arange(3))
PHASES = np.array([1.0, ROTATION[1], ROTATION[2]])
UNKNOWNS = 3
FOREIGN = 2.5
"""Times what reading leaves, from which scatter is not of reading (arbitrary: 30 degrees of freedom reach 1.4)."""
LEAST = 0.05
"""Amplitude over the one asked below which there is no field whose error could be told (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """Fields as the pins had them, over the amplitude asked, with standard uncertainties and degrees of freedom."""

    amplitude: float
    """Of the vectors that turn as they were asked to, whichever way they point."""
    amplitude_u: float
    error: float
    """Largest distance from what was asked, brought to the amplitude that was found, over it."""
    error_u: float
    dof: int


def fields(rows: list[list[float]], share_u: float) -> Fields:
    """From rows (angle, amplitude, enabled, a, b, c), asked and found; `share_u` of a share of time, by its reading.

    Raises MeasurementError where they are of too few angles.
    """
    if any(len(row) != 6 for row in rows):
        raise MeasurementError("expected fields of an angle, an amplitude, the enable pin and three phases")
    if len({row[0] for row in rows}) < UNKNOWNS or len(rows) <= UNKNOWNS:
        raise MeasurementError("the pins were read under fewer than three fields")
    table = np.array(rows)
    asked = table[:, 1] / FULL_AMPLITUDE * np.exp(1j * table[:, 0] * math.tau / FULL_TURN)
    found = vector(table[:, 3:6])
    design = np.column_stack((asked, np.conj(asked), np.full(asked.shape, np.mean(np.abs(asked)))))
    parts, *_ = np.linalg.lstsq(design, found, rcond=None)
    dof = 2 * (len(rows) - UNKNOWNS)
    scatter = math.sqrt(float(np.sum(np.abs(found - design @ parts) ** 2)) / dof)
    spread = np.linalg.inv(np.conj(design.T) @ design)
    size = float(abs(parts[0]))
    read = math.sqrt(2.0 / 3.0) * share_u / 0.5
    if scatter > FOREIGN * read:
        return Fields(
            amplitude=size,
            amplitude_u=read * math.sqrt(float(spread[0, 0].real)),
            error=float(np.max(np.abs(found / asked - 1.0))),
            error_u=read / float(np.min(np.abs(asked))),
            dof=dof,
        )
    whole = max(size, LEAST)
    away = np.abs(design @ parts - size * asked) / np.abs(whole * asked)
    leverage = np.real(np.sum(design @ spread * np.conj(design), axis=1))
    return Fields(
        amplitude=size,
        amplitude_u=scatter * math.sqrt(float(spread[0, 0].real)),
        error=float(np.max(away)) if whole > LEAST else 1.0,  # no field to speak of: the whole of it is missing
        error_u=scatter * math.sqrt(float(np.max(leverage / np.abs(asked) ** 2))) / whole,
        dof=dof,
    )


def vector(shares: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Vectors (n) of shares of time (n, 3) in parts of WHOLE, in units of amplitude."""
    return np.asarray(2.0 / 3.0 * (shares / WHOLE) @ PHASES / 0.5)
