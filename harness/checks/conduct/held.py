"""Whether the demand of an error that is held stays as it is: a loop with a sum in it asks for more and more.

Told readings and demands are of one pass, so that noise of the reading is in both: a loop that takes its demand from
its error alone leaves nothing over, however the shaft moves. One that acts late, on an error that still swings, follows
its rate as well; one with a difference term follows the noise in another measure than the error itself. What creeps
while an error is held is in none of them.
"""

from __future__ import annotations

import math

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.conduct.movement import BACK, DOWN, LAST, STARTED, UP, Movement
from harness.fits.regression import linear
from harness.fits.swings import smoothed

LEAST = 0.05
"""Of the move: an error below it is none that is held (arbitrary: some codes of a reading)."""
ALONG_MOST = 0.95
"""Share of a row's residual that the next one may have (arbitrary: a fifth of a swing is as far as they go along)."""
WINDOW = 7
"""Rows on either side over which an error is smoothed before its rate is taken (arbitrary: a tenth of a swing)."""
SHARE = 3
"""The last one of so many parts of a leg is held (arbitrary: before it the shaft swings)."""


def growth(moves: Movement) -> tuple[float, float, int]:
    """Growth of a held error's demand over a whole leg, over itself; its standard uncertainty, degrees of freedom.

    Raises MeasurementError where no error was held, or no demand was told.
    """
    own, slow, rates, held, asked, wholes = [], [], [], [], [], []
    for leg in (STARTED, UP, BACK, DOWN, LAST):
        rows = np.flatnonzero(moves.leg == leg)
        rows = rows[-(rows.size // SHARE) :] if rows.size >= SHARE else rows[:0]
        if rows.size < SHARE:
            continue
        error, demand = moves.target[rows] - moves.traced[rows], moves.demand[rows]
        part = (np.arange(rows.size) + 0.5) / rows.size - 0.5
        even = smoothed(error, WINDOW)
        own.append(error - np.mean(error))
        slow.append(even - np.mean(even))
        rate = np.gradient(even)
        rates.append(rate - np.mean(rate))
        held.append(np.mean(error) * part / SHARE)
        asked.append(demand - np.mean(demand))
        wholes.append((float(np.mean(error)), float(np.mean(demand))))
    square = math.fsum(error**2 for error, _ in wholes)
    if math.sqrt(square) < LEAST * math.sqrt(max(1, len(wholes))):
        raise MeasurementError("the loop left no error to be held: a shaft with more friction, or with an arm, would")
    gain = math.fsum(error * demand for error, demand in wholes) / square
    if gain <= 0.0:
        raise MeasurementError("the trace tells of no demand for an error that is held")
    fit = linear(np.column_stack([np.concatenate(each) for each in (held, own, slow, rates)]), np.concatenate(asked))
    # What a late loop leaves over swings along: rows beside each other tell no more than one (of an autoregressive
    # residual the mean is known as that of (1 - r)/(1 + r) of them).
    left = fit.residuals
    along = min(max(float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-12), 0.0), ALONG_MOST)
    fewer = (1.0 + along) / (1.0 - along)
    return float(fit.values[0]) / gain, float(fit.u[0]) / gain * math.sqrt(fewer), max(2, round(fit.dof / fewer))
