"""Spans of time as a person writes them: `90s`, `10m`, `1h`."""

from __future__ import annotations

import re

from harness.base.errors import UsageError
from harness.base.words import visible

UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0}
LONGEST_S = 1000 * 3600.0
"""A thousand hours (arbitrary)."""
_FORM = re.compile(r"(\d{1,7}(?:\.\d{1,3})?)([smh])", re.ASCII)


def span_of(text: str) -> float:
    """A span in seconds. Raises UsageError for anything else than a number above 0 with s, m or h.

    >>> span_of("90s"), span_of("10m"), span_of("1.5h")
    (90.0, 600.0, 5400.0)
    """
    found = _FORM.fullmatch(text)
    seconds = float(found[1]) * UNITS_S[found[2]] if found else 0.0
    if not 0.0 < seconds <= LONGEST_S:
        most = f"{LONGEST_S / 3600.0:.0f}h"
        raise UsageError(f"expected a time such as 90s, 10m or 1h, at most {most}, found {visible(text[:30])!r}")
    return seconds


def in_words(seconds: float) -> str:
    """A span as a person says it, no finer than a plan knows it.

    >>> [in_words(seconds) for seconds in (0.0, 1.4, 89.6, 600.0, 5400.0, 360000.0)]
    ['0 s', '1.4 s', '90 s', '10 min', '1 h 30 min', '100 h']
    """
    if seconds < 9.95:
        return f"{seconds:.1f}".removesuffix(".0") + " s"
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"
