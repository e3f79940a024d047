"""A source that is checked is run on a board as it was sent, or not; an answer comes as it was said, or is refused.

Neither the raw prompt nor a serial line checks what passes. So a source carries its checksum and is run by the board
only where that is right, and an answer is a line with its own. Adler-32 (RFC 1950, 8.2) for both, as two numbers of 16
bits: three lines of any MicroPython reckon it, and no single damaged byte passes.
"""

from __future__ import annotations

import zlib
from textwrap import indent

from harness.base.errors import DeviceError, LinkError

ANSWER = "RIG:"
"""Marks the line that answers a question, among whatever else the board prints."""
REFUSAL = "damaged on its way"
"""What a board raises that was sent another source than was meant; it has run nothing of it."""
_LOOP = """\
a = 1
b = 0
for c in bytes(s, 'utf-8'):
 a = (a + c) % 65521
 b = (b + a) % 65521
"""
SAY_S = f"{_LOOP}print('{ANSWER} %d %d %s' % (b, a, s))\n"
"""Answers with the text `s`; makes no function, which would stay in a small heap."""
_SUM = f"def _sum_of(s):\n{indent(_LOOP, ' ')} return b, a\n"
SAY = f"def _say(v):\n s = repr(v)\n{indent(SAY_S, ' ')}"
"""Defines `_say(value)`, which answers with a value."""


def sum_of(text: str) -> tuple[int, int]:
    """Adler-32 of a text as two numbers, as a board reckons it.

    >>> [hex(half) for half in sum_of("123456789")]
    ['0x91e', '0x1de']
    """
    return divmod(zlib.adler32(text.encode("utf-8", "surrogatepass")), 65536)


def checked(source: str) -> str:
    """A source that a board runs only where it has arrived as it is.

    >>> print(checked("print(1)").splitlines()[-1])
    exec(_s)
    """
    return (
        f"{_SUM}_s = {source!r}\nif _sum_of(_s) != {sum_of(source)!r}: raise ValueError('script {REFUSAL}')\nexec(_s)\n"
    )


def refused(error: DeviceError) -> bool:
    """Whether a board has run nothing, because it was sent something else than was meant."""
    return REFUSAL in error.last_words.replace("_", " ")


def answers(printed: str) -> list[str]:
    """The answers among what a board printed. Raises LinkError for one that was damaged on its way.

    >>> answers("hm\\nRIG: 50 50 1\\n")
    ['1']
    """
    said = []
    for line in printed.splitlines():
        if not line.startswith(f"{ANSWER} "):
            continue
        _, high, low, text = [*line.split(" ", 3), "", "", ""][:4]
        if (high, low) != tuple(map(str, sum_of(text))):
            raise LinkError(f"an answer of the board was damaged on its way: {line[:60]!r}")
        said.append(text)
    return said
