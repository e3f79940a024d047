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
PAIRS = ("B and C", "A and B", "A and C")
"""Exchanged, by a third of the turn of what turns backwards then."""
STRONG = {0: "A", 4: "B", 2: "C"}
WEAK = {3: "A", 1: "B", 5: "C"}
"""The phase that is scaled, by a sixth of the turn of what turns backwards then."""
ODD = 0.1
"""Share of what turns backwards, and turn in radians, from which they are said (arbitrary: five steps of a duty); no
less than three standard uncertainties."""
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
    words: str = ""
    """What is wrong with the three phases, as far as it shows; empty where nothing does."""


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
            words="wrong at some angles only",
        )
    leverage = np.real(np.sum(design @ spread * np.conj(design), axis=1))
    largest = float(np.max(leverage / np.abs(asked) ** 2))
    whole = max(size, abs(complex(parts[1])), LEAST)  # a field that turns backwards is one, too
    away = np.abs(design @ parts - size * asked) / np.abs(whole * asked)
    nothing = whole <= LEAST  # no field to speak of: the whole of it is missing
    u = scatter * math.sqrt(largest) / (1.0 if nothing else whole)
    return Fields(
        amplitude=size,
        amplitude_u=scatter * math.sqrt(float(spread[0, 0].real)),
        error=1.0 if nothing else float(np.max(away)),
        error_u=u,
        dof=dof,
        words=_words(complex(parts[0]), complex(parts[1]), max(ODD, 3.0 * u)),
    )


def _words(along: complex, backwards: complex, odd: float) -> str:
    """What is wrong, from p and n: of phase gains g_k, at theta_k, p is their mean and n that of g_k e^(2 j theta_k).

    Exchanged phases leave n alone, at twice the angle of the one that keeps its place.
    """
    if max(abs(along), abs(backwards)) < LEAST:
        return "no field at all"
    if abs(along) < abs(backwards) / 2.0:
        return f"{PAIRS[round(math.atan2(backwards.imag, backwards.real) / (math.tau / 3.0)) % 3]} exchanged"
    ratio = backwards / along
    if abs(ratio) > odd:
        sixth = round(math.atan2(ratio.imag, ratio.real) / (math.tau / 6.0)) % 6
        share = abs(ratio) if sixth in STRONG else -abs(ratio)
        phase = STRONG.get(sixth) or WEAK[sixth]
        if share > 1.0 - odd:
            return f"phase {phase} alone is driven"
        gain = (1.0 + 2.0 * share) / (1.0 - share)
        return f"phase {phase} " + (
            f"is driven about {gain:.1f} times as far as the others" if gain > odd else "is left where it was"
        )
    turned = math.atan2(along.imag, along.real)
    return f"turned by {math.degrees(turned):+.0f} degrees" if abs(turned) > odd else ""


def vector(shares: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Vectors (n) of shares of time (n, 3) in parts of WHOLE, in units of amplitude."""
    return np.asarray(2.0 / 3.0 * (shares / WHOLE) @ PHASES / 0.5)
