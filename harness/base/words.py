"""Words from outside made safe to show: file names, keys, instrument replies, board output."""

from __future__ import annotations


def visible(words: str) -> str:
    """The text with every character that a terminal would act on written out (`\\x1b`), on one line."""
    return "".join(mark if mark.isprintable() else mark.encode("unicode_escape").decode("ascii") for mark in words)
