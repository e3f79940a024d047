"""Where a loop was exercised: how far its shaft went, how large its errors were, how long it was held.

What a loop does elsewhere nobody has seen: a number that is too small for a large error, a count that is not wrapped, a
winding that warms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopSpan:
    """Where a loop was exercised while it was closed once, or several times taken together."""

    low_rad: float
    high_rad: float
    """Of the shaft, from where its arm hangs."""
    error_rad: float
    """Largest, by the shorter way."""
    lasted_s: float
    """The longest."""
    across_zero: bool
    """Whether the shaft passed the reading zero."""


def span_of(
    t_s: NDArray[np.float64], reading_rad: NDArray[np.float64], target_rad: NDArray[np.float64], hang_rad: float
) -> LoopSpan:
    """Of the samples (n) of one closing: sensor readings and set points, whole turns apart being the same.

    >>> span_of(np.array([0.0, 0.5]), np.array([0.1, 6.2]), np.array([0.1, 6.0]), 0.1)
    LoopSpan(low_rad=-0.183, high_rad=0.0, error_rad=0.2, lasted_s=0.5, across_zero=True)
    """
    away = np.unwrap(reading_rad - hang_rad)
    away = away - math.tau * round(float(away[0]) / math.tau)
    turns = np.floor((away + hang_rad) / math.tau)
    error = np.abs((target_rad - reading_rad + math.pi) % math.tau - math.pi)
    return LoopSpan(
        low_rad=round(float(away.min()), 3),
        high_rad=round(float(away.max()), 3),
        error_rad=round(float(error.max()), 3),
        lasted_s=round(float(t_s[-1] - t_s[0]), 3),
        across_zero=bool(turns.min() != turns.max()),
    )


def together(spans: Sequence[LoopSpan]) -> LoopSpan:
    """Of several (at least one) closings of one loop."""
    return LoopSpan(
        low_rad=min(span.low_rad for span in spans),
        high_rad=max(span.high_rad for span in spans),
        error_rad=max(span.error_rad for span in spans),
        lasted_s=max(span.lasted_s for span in spans),
        across_zero=any(span.across_zero for span in spans),
    )


def not_exercised(spans: Mapping[str, Sequence[LoopSpan]], travel_rad: float) -> list[str]:
    """Where loops were not exercised, a line a motor (its name: its closings), of `travel_rad` allowed either way."""
    lines = []
    for motor, some in spans.items():
        if not some:
            lines.append(f"{motor}: its loop was not closed")
            continue
        whole = together(some)
        parts = [] if whole.across_zero else ["at count 0 of its sensor"]
        if min(-whole.low_rad, whole.high_rad) < travel_rad:
            low, high = (f"{value:+.2f}".replace("-", "\N{MINUS SIGN}") for value in (whole.low_rad, whole.high_rad))
            parts.append(f"beyond {low} and {high} rad from hanging, of {travel_rad:.3g} allowed")
        if whole.error_rad < math.pi:
            parts.append(f"with an error above {whole.error_rad:.2f} rad")
        parts.append(f"for longer than {whole.lasted_s:.3g} s")
        lines.append(f"{motor}: {', '.join(parts)}")
    return lines
