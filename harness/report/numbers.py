"""Numbers for a reader: digits that the uncertainty supports."""

from __future__ import annotations

import math

PREFIXABLE = ("s", "A", "V", "rad", "N m", "N m/rad", "N m/A", "N m s", "H", "V s", "W")
"""Units that read well with a prefix; kelvins, ohms and plain ratios do not need one here."""

_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))


def prefix_for(size: float, unit: str) -> tuple[float, str]:
    """Factor and unit text so that a number of about this size has digits before the point."""
    if unit == "1":
        return 1.0, ""
    if unit not in PREFIXABLE or size == 0.0 or not math.isfinite(size):
        return 1.0, unit
    for factor, letter in _PREFIXES:
        if abs(size) >= factor * 0.1:
            return factor, letter + unit
    return 1.0, unit


def decimals_for(u: float) -> int:
    """Decimals that leave two significant digits of an uncertainty (JCGM 100:2008, 7.2.6)."""
    if u <= 0.0 or not math.isfinite(u):
        return 0
    return max(0, 1 - math.floor(math.log10(u)))


def with_uncertainty(value: float | None, half_width: float | None, unit: str) -> str:
    """`548 ± 12 mN m/rad`; an exact value stands alone, an absent one is a dash."""
    if value is None:
        return "–"
    factor, text = prefix_for(value, unit)
    if not half_width:
        return f"{plain(value / factor)} {text}".strip()
    digits = decimals_for(half_width / factor)
    return f"{signed(value / factor, digits)} ± {half_width / factor:.{digits}f} {text}".strip()


def plain(value: float, significant: int = 4) -> str:
    """A number without uncertainty, with few digits and no exponent where it can be avoided."""
    if value == int(value) and abs(value) < 1e6:
        return signed(value, 0)
    if 1e-3 <= abs(value) < 1e6:
        return signed(value, max(0, significant - 1 - math.floor(math.log10(abs(value)))))
    return f"{value:.{significant - 1}g}".replace("-", "−")


def in_unit(value: float | None, unit: str) -> str:
    """A plain number in a readable unit, a dash where there is none."""
    if value is None:
        return "–"
    factor, text = prefix_for(value, unit)
    return f"{plain(value / factor, 3)} {text}".strip()


def limits_in_words(low: float | None, high: float | None, unit: str) -> str:
    """`at least 3 mm and at most 5 mm`; only what there is."""
    parts = [
        f"{word} {in_unit(limit, unit)}" for word, limit in (("at least", low), ("at most", high)) if limit is not None
    ]
    return " and ".join(parts)


def signed(value: float, digits: int) -> str:
    """Fixed decimals with a real minus sign, and never a negative zero."""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")
