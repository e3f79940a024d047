"""Command headers as the standard writes them: `[SOURce#:]VOLTage[:LEVel]`.

Capitals are the short form, the whole word the long form, brackets an optional node, `#` a numeric suffix.
Exactly the short or the long form is understood, in any case (SCPI-1999 volume 1, 6.2.1).
"""

from __future__ import annotations

import re
from functools import cache

from .errors import ScpiError

_TOKEN = re.compile(r"\*?[A-Za-z]+|[\[\]:#]")


class HeaderPattern:
    """One command's header. `suffixes` of a match are the numbers of its `#` nodes, 1 where none was sent."""

    def __init__(self, text: str, channels: int = 1) -> None:
        self.text = text
        self._channels = channels
        self._regex = re.compile(_expression(text), re.ASCII)

    def matches(self, header: str) -> bool:
        """Whether a header (absolute, capitals, no leading colon) is this command's.

        Raises ScpiError -114 where the words fit and a suffix names a channel that is not there.
        """
        match = self._regex.fullmatch(header)
        if match is None:
            return False
        for suffix in match.groups():
            if suffix and not 1 <= int(suffix) <= self._channels:
                raise ScpiError(-114, header)
        return True


@cache
def forms(word: str) -> tuple[str, str]:
    """Short and long form of a mnemonic, both in capitals."""
    return "".join(letter for letter in word if not letter.islower()), word.upper()


def _expression(text: str) -> str:
    parts: list[str] = []
    for token in _TOKEN.findall(text):
        if token == "[":
            parts.append("(?:")
        elif token == "]":
            parts.append(")?")
        elif token == "#":
            parts.append(r"(\d{0,9})")
        elif token == ":":
            parts.append(":")
        else:
            short, long = forms(token)
            parts.append(re.escape(long) if short == long else f"(?:{re.escape(short)}|{re.escape(long)})")
    expression = "".join(parts)
    # `[:LEVel]` at the front of a header comes without its colon.
    return expression.removeprefix(":")
