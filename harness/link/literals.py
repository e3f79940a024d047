"""What a board prints as a literal of Python, read as that and nothing else, whatever it prints."""

from __future__ import annotations

import ast
import warnings

LONGEST = 100_000
"""Characters (arbitrary; what a board says of itself has some thousand)."""


def literal(printed: str) -> object:
    """The value. Raises ValueError in words for what is none, or nests deeper than Python reads."""
    if len(printed) > LONGEST:
        raise ValueError(f"expected at most {LONGEST} characters, found {len(printed)}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of an escape that Python would rather have written otherwise
            return ast.literal_eval(printed)
    except (SyntaxError, ValueError, TypeError, RecursionError, MemoryError) as error:
        raise ValueError(f"expected a literal of Python, found {printed[:40]!r}") from error
