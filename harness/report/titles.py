"""Names of quantities and checks as headings for a reader."""

from __future__ import annotations

from harness.base.words import visible
from harness.checks.catalogue import CHECKS, words_of
from harness.nouns.names import Name


def spaced(name: str) -> str:
    """`leaf · step · rise time`."""
    return visible(name.replace(".", " · ").replace("_", " "))


def quantity_title(name: str) -> str:
    """`rise time`."""
    return visible(Name(name).quantity.replace("_", " "))


def check_title(motor: str, check: str) -> str:
    """`leaf · holding stiffness`: a motor, and what its check is called; the check alone where it is of all motors."""
    title = {known.name: known.title for known in CHECKS}.get(check, check)
    return visible(f"{motor} · {title[:1].lower()}{title[1:]}" if motor else title)


def described(name: str) -> str:
    """What a quantity is, in words; "" where nobody has said it."""
    words = words_of(name)
    return "" if words == name else words
