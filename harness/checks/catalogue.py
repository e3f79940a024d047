"""The registry of rows: what checks there are, and what is known of their quantities, without loading any of them.

It looks into this folder: whatever holds a `quantities.py` is a check; its `causes.py` says what causes do to them. A
quantity's full name is `motor.check.quantity` (`leaf.stiffness.open_loop`), or `together.quantity` for what belongs to
both motors.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path

from harness.nouns.effects import Cause, Effects
from harness.nouns.measurand import MOTOR, CheckRow, Measurand, Sense
from harness.nouns.names import Name


def _folders() -> list[str]:
    """Folders of the room that are checks."""
    return [
        entry.name
        for entry in pkgutil.iter_modules([str(Path(__file__).parent)])
        if entry.ispkg and find_spec(f"harness.checks.{entry.name}.quantities") is not None
    ]


def _rows() -> tuple[CheckRow, ...]:
    """The rows of all checks, in the order of a qualification. Raises ValueError for a row that contradicts another."""
    rows = []
    for folder in _folders():
        row: CheckRow = import_module(f"harness.checks.{folder}.quantities").CHECK
        rows.append(row)
        if row.name != folder:
            raise ValueError(f"harness/checks/{folder}/quantities.py: expected the name {folder}, found {row.name}")
    ordered = sorted(rows, key=lambda row: row.place)
    if len({row.place for row in ordered}) < len(ordered):
        places = ", ".join(f"{row.name} {row.place}" for row in ordered)
        raise ValueError(f"harness/checks: two checks at one place in the order of a qualification: {places}")
    return tuple(ordered)


CHECKS: tuple[CheckRow, ...] = _rows()
CHECK_NAMES: tuple[str, ...] = tuple(row.name for row in CHECKS)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckCauses:
    """What one check states of causes."""

    name: str
    causes: tuple[Cause, ...]
    """Those that it shows first."""
    effects: Mapping[str, Effects]
    """What the others do to its quantities, by the cause's name."""


def check_causes() -> tuple[CheckCauses, ...]:
    """What each check states of causes, in the order of a qualification."""
    return tuple(
        CheckCauses(name=name, causes=module.CAUSES, effects=module.EFFECTS)
        for name in CHECK_NAMES
        for module in (import_module(f"harness.checks.{name}.causes"),)
    )


def needed_by(part: str) -> tuple[str, ...]:
    """Checks that cannot run without a part of the drive contract."""
    return tuple(row.name for row in CHECKS if row.calls(part))


def row_of(check: str) -> CheckRow:
    """The row of a check. Raises KeyError for one that there is not."""
    return {row.name: row for row in CHECKS}[check]


def quantities_of(row: CheckRow, motors: Iterable[str]) -> dict[str, Measurand]:
    """Quantities of a check on a rig with these motors, by their names there."""
    named = list(motors)
    return {name: measurand for measurand in row.quantities for name in measurand.names(named)}


def full_names(row: CheckRow, motor: str, motors: Iterable[str]) -> tuple[str, ...]:
    """Full names of a check's quantities on one motor (or once, where it drives all of them)."""
    return tuple(row.full_name(motor, name) for name in quantities_of(row, motors))


@cache
def measurand_of(name: str) -> Measurand | None:
    """The row of a quantity by its full name; None for one that no check of this version measures."""
    dotted = Name(name)
    for row in CHECKS:
        for measurand in row.quantities if row.name == dotted.check else ():
            if re.fullmatch(measurand.name.replace(MOTOR, "[a-z0-9_]+"), dotted.quantity):
                return measurand
    return None


def words_of(name: str) -> str:
    """What a quantity is, in words; the name itself where no check of this version measures it."""
    measurand = measurand_of(name)
    return name if measurand is None else measurand.words


def meaning_of(name: str, value: float) -> str:
    """What a code says that was found for a quantity; "" where it is a number, or no check of this version codes it so.

    >>> meaning_of("leaf.conduct.following", 3.0), meaning_of("leaf.step.delay", 3.0)
    ('one way only', '')
    """
    measurand = measurand_of(name)
    return "" if measurand is None else measurand.meaning(value)


def counted_in_words(name: str, value: float) -> str:
    """A whole number that was found, and what it says where it is a code: `3 (one way only)`."""
    meaning = meaning_of(name, value)
    return f"{value:g} ({meaning})" if meaning else f"{value:g}"


def is_angle(name: str) -> bool:
    """Whether a quantity comes round after a full turn. One that no check of this version measures does not."""
    measurand = measurand_of(name)
    return measurand is not None and measurand.sense is Sense.ANGLE
