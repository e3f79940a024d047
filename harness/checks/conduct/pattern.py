"""What the pins say of a field: amplitude, and how far it is from the one that was asked for.

Three shares of time a, b, c make one vector, 2/3 (a + b e^(j 120 deg) + c e^(-j 120 deg)), without zero sequence:
a centred wave is the same field as a plain sine. Amplitude 1 is a phase voltage peak of half the supply, so that it is
half in shares of time. (The space vector of three-phase quantities: Kovacs and Racz, 1959, from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.nouns.contract import FULL_TURN

WHOLE = 10000.0
"""Shares of time come in these parts."""
ROTATION = np.exp(1j * math.tau / 3.0 * np.arange(3))
PHASES = np.array([1.0, ROTATION[1], ROTATION[2]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """Fields as the pins had them: one vector each for what was asked, in units of amplitude."""

    asked: NDArray[np.complex128]
    found: NDArray[np.complex128]
    u: float
    """Standard uncertainty of a vector's part along any direction, from the scatter of the groups of readings."""
    dof: int

    @property
    def amplitude(self) -> float:
        """Mean of the vectors along what was asked, over the amplitude asked."""
        return float(np.mean(np.real(self.found * np.conj(self.asked)) / np.abs(self.asked) ** 2))

    @property
    def error(self) -> float:
        """Largest distance from what was asked, brought to the amplitude that was found, over it."""
        size = self.amplitude
        if abs(size) < 0.05:  # no field to speak of: the whole of it is missing
            return 1.0
        return float(np.max(np.abs(self.found - size * self.asked) / np.abs(size * self.asked)))


def fields(rows: list[list[float]], amplitude: float) -> Fields:
    """From rows (angle, enabled, a, b, c), several of each angle. Raises MeasurementError where there are too few."""
    groups: dict[float, list[list[float]]] = {}
    for row in rows:
        groups.setdefault(row[0], []).append(row[2:5])
    if len(groups) < 3 or any(len(group) < 2 for group in groups.values()):
        raise MeasurementError("the pins were read under fewer than three fields")
    angles = np.array(list(groups)) * math.tau / FULL_TURN
    vectors = [vector(np.array(group)) for group in groups.values()]
    dof = 2 * sum(len(group) - 1 for group in vectors)
    spread = math.sqrt(sum(float(np.sum(np.abs(group - group.mean()) ** 2)) for group in vectors) / dof)
    count = min(len(group) for group in vectors)
    return Fields(
        asked=amplitude * np.exp(1j * angles),
        found=np.array([group.mean() for group in vectors]),
        u=spread / math.sqrt(count),
        dof=dof,
    )


def vector(shares: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Vectors (n) of shares of time (n, 3) in parts of WHOLE, in units of amplitude."""
    return np.asarray(2.0 / 3.0 * (shares / WHOLE) @ PHASES / 0.5)
