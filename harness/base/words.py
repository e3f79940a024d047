"""Words from outside made safe to show: file names, keys, instrument replies, board output."""

from __future__ import annotations


def visible(words: object) -> str:
    r"""Outside text on one line: control and format characters and odd spaces are spelled out, everything else stays.

    >>> visible("5 °C")
    '5 °C'
    >>> print(visible("a\x1b[2J\nb"))
    a\x1b[2J\nb
    """
    text = str(words)
    if text.isprintable():  # the same characters, told by Python at once
        return text
    return "".join(mark if mark.isprintable() else mark.encode("unicode_escape").decode("ascii") for mark in text)


def visible_lines(text: str) -> str:
    """As `visible`, of a text of several lines, which stay lines."""
    return "\n".join(map(visible, text.split("\n")))
