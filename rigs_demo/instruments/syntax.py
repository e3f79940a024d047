"""Program messages of IEEE 488.2, section 7: text in, message units out. No state but the place in the command tree.

A raw socket has no end-of-message line: LF ends a message, so LF cannot stand inside a block or string here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from .errors import ScpiError

LONGEST_MNEMONIC = 12  # IEEE 488.2, 7.6.1.4.1

Kind = Literal["number", "character", "string", "block"]

_SPACE = re.compile(r"[\x00-\x20]*")
_HEADER = re.compile(r"(\*[A-Za-z]\w*|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\??)", re.ASCII)
_DECIMAL = re.compile(
    r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[ \t]*[eE][ \t]*[+-]?\d+)?)[ \t]*([A-Za-z%/][A-Za-z0-9%/.^-]*)?", re.ASCII
)
_RADIX = re.compile(r"#([HhQqBb])([0-9A-Fa-f]+)")
_STRING = re.compile(r'"((?:[^"]|"")*)"|\'((?:[^\']|\'\')*)\'')
_CHARACTER = re.compile(r"[A-Za-z]\w*", re.ASCII)
_BASES = {"H": 16, "Q": 8, "B": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One program data element. `value` is the number's own value, `suffix` its unit as sent, in capitals."""

    kind: Kind
    text: str
    value: float = 0.0
    suffix: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One program message unit. `header` is absolute, in capitals, without leading colon: `SOUR:VOLT`, `*IDN`."""

    header: str
    query: bool
    parameters: tuple[Parameter, ...]


def units(message: str) -> Iterator[Unit]:
    """Yield the units of one message; raises ScpiError at the first that cannot be read.

    After `;` a header continues beside the last node sent before it; `;:` goes back to the root, and a
    common command leaves the place alone (SCPI-1999 volume 1, 6.2.4: only nodes that were sent count).
    """
    place = ""
    at = _skip(message, 0)
    while at < len(message):
        if message[at] == ";":
            at = _skip(message, at + 1)
            continue
        match = _HEADER.match(message, at)
        if match is None:
            number = -102 if message[at].isascii() and message[at].isprintable() else -101
            raise ScpiError(number, message[at:])
        header = match[1].upper()
        at = match.end()
        if at < len(message) and message[at] > " " and message[at] != ";":
            raise ScpiError(-110, message[match.start() :])
        if any(len(mnemonic) > LONGEST_MNEMONIC for mnemonic in header.lstrip("*:").split(":")):
            raise ScpiError(-112, header)
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else place + header
            place = header[: header.rfind(":") + 1]
        parameters, at = _parameters(message, _skip(message, at))
        yield Unit(header=header, query=bool(match[2]), parameters=parameters)


def _skip(message: str, at: int) -> int:
    match = _SPACE.match(message, at)
    return match.end() if match else at


def _parameters(message: str, at: int) -> tuple[tuple[Parameter, ...], int]:
    """Read program data up to `;` or the end; returns the elements and the place of the separator."""
    elements: list[Parameter] = []
    if at >= len(message) or message[at] == ";":
        return (), at
    while True:
        element, at = _parameter(message, at)
        elements.append(element)
        at = _skip(message, at)
        if at >= len(message) or message[at] == ";":
            return tuple(elements), at
        if message[at] != ",":
            raise ScpiError(-103, message[at:])
        at = _skip(message, at + 1)


def _parameter(message: str, at: int) -> tuple[Parameter, int]:
    if match := _DECIMAL.match(message, at):
        value = float(re.sub(r"[ \t]", "", match[1]))
        return Parameter(kind="number", text=match[0], value=value, suffix=(match[2] or "").upper()), match.end()
    if match := _RADIX.match(message, at):
        try:
            value = float(int(match[2], _BASES[match[1].upper()]))
        except ValueError:
            raise ScpiError(-120, match[0]) from None
        return Parameter(kind="number", text=match[0], value=value), match.end()
    if match := _STRING.match(message, at):
        text = match[1].replace('""', '"') if match[1] is not None else match[2].replace("''", "'")
        return Parameter(kind="string", text=text), match.end()
    if match := _CHARACTER.match(message, at):
        return Parameter(kind="character", text=match[0].upper()), match.end()
    here = message[at : at + 1]
    if here == "#":
        return _block(message, at)
    if here in {'"', "'"}:
        raise ScpiError(-150, message[at:])
    if here in {"", ",", ";"}:
        raise ScpiError(-109, "between separators")
    raise ScpiError(-120 if here in "+-." else -102, message[at:])


def _block(message: str, at: int) -> tuple[Parameter, int]:
    """Arbitrary block: `#`, number of digits, length, data; `#0` runs to the end of the message (IEEE 488.2, 7.7.6)."""
    digits = message[at + 1 : at + 2]
    if digits == "0":
        return Parameter(kind="block", text=message[at + 2 :]), len(message)
    if not (digits.isascii() and digits.isdigit()):
        raise ScpiError(-160, message[at:])
    start = at + 2 + int(digits)
    length = message[at + 2 : start]
    if not (length.isascii() and length.isdigit() and len(length) == int(digits)):
        raise ScpiError(-160, message[at:])
    end = start + int(length)
    if end > len(message):
        raise ScpiError(-160, f"{len(message) - start} of {int(length)} bytes")
    return Parameter(kind="block", text=message[start:end]), end
