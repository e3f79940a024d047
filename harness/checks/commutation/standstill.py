"""What an angle sensor says of a shaft that does not move: noise, distinct codes, age of the reading."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.commutation.stimulus import READINGS
from harness.nouns.array import Array
from harness.nouns.quantity import Quantity, exact, normal, rectangular, shifted

LONGEST_AGE_S = 30e-3
"""Beyond it no loop holds a motor (arbitrary: many loop periods); a negative age comes as twice that and more."""
LATCH_S = 5e-6
"""Half-width for what lies between the firmware's stamp and the sensor's latch (arbitrary: a select pin's delay)."""
MOVING = 1.5
"""Scatter over neighbours' scatter from which a shaft counts as moving; 256 readings at rest keep within 1.2."""
LEFT_MOST = 1.0 / (4.0 * math.pi**2)
"""Variance of the noise, in squared codes, at which Sheppard's correction leaves the most."""


def quantum(runs: Sequence[Array]) -> float:
    """The step between neighbouring codes as they come, in the unit of the runs; 0 if only one code came."""
    steps = np.concatenate([np.diff(np.unique(run)) for run in runs])
    return float(np.median(steps)) if steps.size else 0.0


def moves(run: Array) -> bool:
    """Whether a shaft moved while these readings came: they scatter by more than neighbours do.

    Second differences of white noise have six times its variance, and hardly any of a slow motion's.
    """
    if run.size < 3:
        return False
    by_neighbours = math.sqrt(float(np.mean(np.diff(run, 2) ** 2)) / 6.0)
    return float(np.std(run)) > MOVING * by_neighbours > 0.0


def noise(runs: Sequence[Array], least_step: float, source: str) -> Quantity:
    """Standard deviation of one reading before quantisation, rad, from runs of readings (rad) at rest.

    The variance of the codes less a twelfth of the code's square (W. F. Sheppard, Proc. London Math. Soc. 29
    (1898) 353); what that correction leaves where noise is small against the code is in the budget.
    """
    if not runs or any(run.size < 3 for run in runs):
        raise MeasurementError("noise needs runs of at least 3 readings at rest")
    step = max(quantum(runs), least_step)
    dof = sum(run.size - 1 for run in runs)
    spread = math.fsum(float(np.var(run, ddof=1)) * (run.size - 1) for run in runs) / dof
    variance = max(spread - step**2 / 12.0, 0.0)
    by_chance = spread * math.sqrt(2.0 / dof)
    by_place = _largest_left(variance / step**2) * step**2 / math.sqrt(2.0 * len(runs))  # rms of a cosine
    sigma = math.sqrt(variance)
    slope = 1.0 / (2.0 * max(sigma, 0.2 * step))  # of a root, which has no slope to speak of where noise may be none
    scatter = normal(sigma, by_chance * slope, "rad", f"{source} scatter", dof, "more readings at rest")
    coarse = normal(
        0.0, by_place * slope, "rad", f"{source} coarse code", remedy="rest at more places, or a finer sensor"
    )
    return shifted(scatter, coarse=coarse)


def sheppard_left(variance: float) -> float:
    """What Sheppard's correction leaves of normal noise at most, over all places in a code; in squared codes as given.

    The error of rounding x is a saw, sum of (-1)^k sin(2 pi k x) / (k pi) over k. Its first term, averaged over the
    noise, leaves -(4 v + 1/pi^2) exp(-2 pi^2 v) cos(2 pi place) in the variance, by itself and by going along with x.
    """
    return (4.0 * variance + 1.0 / math.pi**2) * math.exp(-2.0 * math.pi**2 * variance)


def _largest_left(observed: float) -> float:
    """The most that may be left where a variance of `found` (squared codes) came out: what is left is part of it.

    So it is the value at the least true variance v with v + left(v) >= found; the sum grows with v. Below LEFT_MOST
    what is left grows with v, too, and its largest value holds.
    """
    low, high = LEFT_MOST, max(observed, LEFT_MOST)
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (low, middle) if middle + sheppard_left(middle) >= observed else (middle, high)
    return sheppard_left(high)


def expected_codes(sigma: float, step: float, readings: int = READINGS, places: int = 16) -> tuple[float, float]:
    """Mean and standard deviation of the number of distinct codes among readings with normal noise.

    Averaged over where in a code the shaft rests. Each code is met with its own probability; that one met code
    makes another less likely is left out (it narrows the spread a little).
    """
    from scipy.special import ndtr

    reach = math.ceil(6.0 * sigma / step) + 2
    edges = (np.arange(-reach, reach + 1) - 0.5) * step
    counts, variances = [], []
    for place in (np.arange(places) + 0.5) / places * step - step / 2.0:
        met = 1.0 - (1.0 - np.diff(ndtr((edges - place) / max(sigma, 1e-6 * step)))) ** readings
        counts.append(float(np.sum(met)))
        variances.append(float(np.sum(met * (1.0 - met))))
    return float(np.mean(counts)), math.sqrt(float(np.mean(variances)) + float(np.var(counts)))


def distinct_codes(runs: Sequence[Array], sigma: float, least_step: float, source: str) -> Quantity:
    """Mean number of distinct codes in runs of READINGS readings, with the spread that their noise makes."""
    full = [run[:READINGS] for run in runs if run.size >= READINGS]
    if not full:
        raise MeasurementError(f"distinct codes are counted in {READINGS} readings at rest; fewer came")
    mean = float(np.mean([np.unique(run).size for run in full]))
    _, deviation = expected_codes(sigma, max(quantum(runs), least_step))
    return normal(
        mean,
        max(deviation, 0.3) / math.sqrt(len(full)),
        "1",
        f"{source} place and chance",
        remedy="rest at more places",
    )


def impossible_ages(ages_s: Array) -> Quantity:
    """How many of these ages no reading can have; all of them, where not one took a microsecond."""
    if ages_s.size == 0:
        raise MeasurementError("no age of a reading was told")
    wrong = int(np.count_nonzero((ages_s < 0.0) | (ages_s > LONGEST_AGE_S)))
    return exact(float(wrong if np.any(ages_s != 0.0) else ages_s.size), "1")


def age(ages_s: Array, source: str) -> Quantity:
    """Mean age of a reading when the firmware hands it over, s."""
    if ages_s.size < 2:
        raise MeasurementError("the age of a reading needs at least 2 readings")
    mean = float(np.mean(ages_s))
    u = float(np.std(ages_s, ddof=1)) / math.sqrt(ages_s.size)
    return shifted(
        normal(mean, u, "s", f"{source} scatter", ages_s.size - 1),
        stamp=rectangular(0.0, LATCH_S, "s", f"{source} stamp to latch", "a firmware that stamps the latch"),
    )
