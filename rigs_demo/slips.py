"""Slips: what a person does wrong in a firmware, or only otherwise, each a small patch of one of the demo's two.

`python -m rigs_demo slips` lists them, `python -m rigs_demo firmware NAME FOLDER` writes the patched firmware, to be
given to `rotorgate qualify --firmware`. They stand in slips/*.toml; sizes, their reasons and what is to be found of
each were written down before anything was tried on them. Nothing in a patched firmware says what slipped.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from rigs_demo.releases import put

ROOM = Path(__file__).parent
PACES = {"sluice_drive": "own", "called_drive": "called"}
"""The demo's firmwares, and who paces them."""
RIGS = {"sluice_drive": "sluice", "called_drive": "handwheel"}
"""The scenario that has each of them on its board."""


class SlipError(Exception):
    """No slip of that name, a slip that does not fit its firmware, or a firmware that cannot be written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edit:
    """One place of the firmware's text, which must be there exactly once, and what stands there afterwards."""

    find: str
    replace: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One row of the catalogue."""

    name: str
    firmware: str
    """The module that is patched."""
    words: str
    """What a person did."""
    size: str
    reason: str
    """Why this size."""
    edits: tuple[Edit, ...]
    harmless: bool = False
    """Whether it takes nothing from a machine: then it must be released."""
    finds: tuple[str, ...] = ()
    """What may be found first, by names without their motor: a check, a quantity, `loop` for a loop that does
    not follow, `firmware` for a refusal before anything is measured. One of them must be."""
    causes: tuple[str, ...] = ()
    """Words, one of which what is said of it must hold."""
    silent: bool = False
    """Whether the board answers nothing any more, an interrupt neither, so that nobody can tell why: the run ends with
    3, nothing is released, and the supply is switched off in place of the bridge."""
    otherwise: str = ""
    """What would find it where no check of today can; empty where one is expected to."""

    @property
    def pace(self) -> str:
        """Who paces its loop: own or called."""
        return PACES[self.firmware]

    @property
    def rig(self) -> str:
        """The scenario whose board has this firmware."""
        return RIGS[self.firmware]

    def of(self, source: str) -> str:
        """The firmware's source with the slip in it. Raises SlipError where an edit does not fit."""
        for edit in self.edits:
            found = source.count(edit.find)
            if found != 1:
                first = edit.find.strip().partition("\n")[0]
                place = f"{self.name}: {self.firmware}.py: {first!r}"
                raise SlipError(f"{place}: expected exactly once, found {found} times")
            source = source.replace(edit.find, edit.replace)
        return source


@cache
def catalogue() -> Mapping[str, Slip]:
    """All slips by name, in the order of their files. Raises SlipError for an entry that is not as it should be."""
    found: dict[str, Slip] = {}
    for file in sorted((ROOM / "slips").glob("*.toml")):
        for entry in tomllib.loads(file.read_text(encoding="utf-8"))["slip"]:
            slip = _slip(file.name, entry)
            if slip.name in found:
                raise SlipError(f"{file.name}: {slip.name}: expected a name of its own, found it twice")
            found[slip.name] = slip
    return found


def _slip(place: str, entry: Mapping[str, Any]) -> Slip:
    fields: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in entry.items() if key != "edit"
    }
    try:
        slip = Slip(**fields, edits=tuple(Edit(**edit) for edit in entry["edit"]))
    except (TypeError, KeyError) as problem:
        raise SlipError(f"{place}: {entry.get('name', 'a slip without a name')}: {problem}") from problem
    if slip.firmware not in PACES:
        raise SlipError(f"{place}: {slip.name}: firmware: expected {' or '.join(PACES)}, found {slip.firmware!r}")
    if slip.harmless == bool(slip.finds):
        raise SlipError(f"{place}: {slip.name}: expected what it is found by, or that it is harmless; one of the two")
    return slip


def lines(slips: Iterable[Slip] | None = None) -> list[str]:
    """The catalogue as text, one slip a line, tab-separated: name, pace, `matters` or `harmless`, words."""
    return [
        "\t".join((slip.name, slip.pace, "harmless" if slip.harmless else "matters", slip.words))
        for slip in (catalogue().values() if slips is None else slips)
    ]


def slip_of(name: str) -> Slip:
    """The slip of that name. Raises SlipError."""
    if name not in catalogue():
        raise SlipError(f"slip: expected a name that `python -m rigs_demo slips` lists, found {name[:80]!r}")
    return catalogue()[name]


def source_of(name: str) -> str:
    """The source of the firmware with a slip in it. Raises SlipError."""
    slip = slip_of(name)
    return slip.of((ROOM / "firmware" / f"{slip.firmware}.py").read_text(encoding="utf-8"))


def write(name: str, folder: Path) -> Path:
    """Write a firmware with a slip in it into a folder, made if absent; the file. Raises SlipError."""
    return put(source_of(name), folder / f"{slip_of(name).firmware}.py", SlipError)
