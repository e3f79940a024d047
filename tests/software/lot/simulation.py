"""How often a stated lower limit of capability is above the true one.

    python -m tests.software.lot.simulation [LOTS]

Normal lots, of boards that are normal and of boards drawn evenly between two limits, as the simulated bench draws them.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri

from harness.lot.capability import CONFIDENCE, least_index
from tests.results import Results, percent, simulate, table

RESULTS = Results(
    title="How often a lower limit of capability is above the true index",
    place="tests/software/lot/RESULTS.md",
    command="python -m tests.software.lot.simulation",
    inputs=("tests/software/lot/simulation.py", "harness/lot/capability.py"),
)
USUAL = 100_000

Rule = Callable[[float, int], float]
CASES = ((10, None, 1.33), (10, 1.33, 1.33), (10, 1.0, 2.0), (30, None, 1.0), (30, 1.0, 1.0))
"""Boards, Cpl and Cpu of the process; None where there is no lower limit."""


def bissell(found: float, count: int, confidence: float = CONFIDENCE) -> float:
    """Approximate lower limit of Cpk (A. F. Bissell, Applied Statistics 39 (1990) 331)."""
    spread = math.sqrt(1.0 / (9.0 * count) + found**2 / (2.0 * (count - 1)))
    return float(found - ndtri(confidence) * spread)


def missed(
    count: int, low: float | None, high: float, lots: int, *, even: bool = False, rule: Rule = least_index
) -> float:
    """Share of lots in which the stated limit is above the true Cpk."""
    true = high if low is None else min(low, high)
    # The limit rises with what is found: it is above the true index from one found index on.
    threshold = brentq(lambda found: rule(found, count) - true, true, 12.0 * true)
    dice = np.random.default_rng(count)
    shape = (lots, count)
    values = dice.uniform(-(3.0**0.5), 3.0**0.5, shape) if even else dice.standard_normal(shape)
    mean, s = values.mean(axis=1), values.std(axis=1, ddof=1)
    found = (3.0 * high - mean) / (3.0 * s)
    if low is not None:
        found = np.minimum(found, (mean + 3.0 * low) / (3.0 * s))
    return float(np.mean(found > threshold))


def body(lots: int) -> str:
    """A row a case: our limit for normal and for even boards, and Bissell's approximation beside it."""
    rows = []
    for count, low, high in CASES:
        shares = (
            missed(count, low, high, lots),
            missed(count, low, high, lots, even=True),
            missed(count, low, high, lots, rule=bissell),
        )
        process = f"{high:g}" if low is None else f"{low:g} and {high:g}"
        rows.append((str(count), process, *map(percent, shares)))
    columns = ("boards", "true index to each limit", "normal", "drawn evenly", "normal, by Bissell (1990)")
    return f"Share of {lots} lots; stated is at most 5 %.\n\n" + table(columns, rows)


if __name__ == "__main__":
    simulate(RESULTS, body, USUAL)
