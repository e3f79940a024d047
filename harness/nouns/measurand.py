"""What a check measures, as rows of data: each quantity stated once, and all that others need to know of it.

The rig file, tables, the page, the comparison of records and the diagnosis read these rows (`harness.checks.catalogue`
gathers them), so that a quantity is added by writing its row. No field has a default but the meanings of a code, which
most have none of: a fact that was forgotten is an error when the row is imported, never an answer for what nobody
thought of.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from harness.nouns.contract import ALWAYS
from harness.nouns.names import Name
from harness.nouns.results import Detect

MOTOR = "MOTOR"
"""In the name of a quantity: stands for each motor of the rig."""


class Sense(StrEnum):
    """How two values of a quantity are told apart."""

    NUMBER = "number"
    ANGLE = "angle on a circle"
    """0.01 and 2 pi - 0.01 are neighbours."""
    COUNT = "count"
    """A whole number, a sense of rotation, the number of a pattern: equal or different."""


class Origin(StrEnum):
    """Where a number comes from."""

    MEASURED = "measured"
    """By us."""
    TOLD = "told"
    """By the board of itself: it never counts as agreement by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dependence:
    """How a quantity follows supply voltage (exponent) and room (relative, 1/K), each with a half-width."""

    supply: float
    supply_half: float
    per_k: float
    per_k_half: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualDetect:
    """The usual entry of [detect], and why a practitioner would ask that much; `entry` None: no entry is usual."""

    entry: Detect | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurand:
    """One quantity that a check measures; the name is VIM's (JCGM 200:2012, 2.3)."""

    name: str
    words: str
    unit: str
    """SI, as a measurement of it carries it (`N m/rad`, `1` for a ratio or a count)."""
    sense: Sense
    origin: Origin
    follows: Dependence
    detect: UsualDetect
    meanings: tuple[str, ...] = ()
    """Of a code: what 0 says, what 1 says, and so on. Empty for a number, and for a count that is one."""

    def meaning(self, value: float) -> str:
        """What a value of a code says; "" where it is no code, or one that has no meaning."""
        return self.meanings[int(value)] if value in range(len(self.meanings)) else ""

    def names(self, motors: Iterable[str]) -> list[str]:
        """Its names on a rig with these motors: one, or one for each motor."""
        return [self.name.replace(MOTOR, motor) for motor in motors] if MOTOR in self.name else [self.name]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One check as tables know it: its name on the command line, its title and its quantities."""

    name: str
    title: str
    place: int
    """Where it stands in a qualification: low energy first, what others rest on before them."""
    per_motor: bool
    """Run on each motor by itself, the others off; otherwise once, on all of them."""
    closes_loop: bool
    """Lets the firmware's own loop hold a motor: swapped phases would make it a runaway, so commutation goes first."""
    parts: tuple[str, ...]
    """Parts of the drive contract that its device script calls, beside those that the board's guard always does."""
    quantities: tuple[Measurand, ...]
    powered: bool
    """Whether it needs the supply on. What needs none goes first, on every motor."""
    conduct: bool
    """Whether it shows that the drive does as it is told: run whatever is asked for, before what rests on that."""

    def full_name(self, motor: str, quantity: str) -> Name:
        """Of a quantity on one motor, or once where the check drives all of them."""
        return Name.of(motor if self.per_motor else "", self.name, quantity)

    def calls(self, part: str) -> bool:
        """Whether it cannot run without a part of the drive contract."""
        return part in ALWAYS or part in self.parts


def unmoved(why: str) -> Dependence:
    """Of a quantity that follows neither the supply nor the room, and why not."""
    return Dependence(supply=0.0, supply_half=0.0, per_k=0.0, per_k_half=0.0, why=why)


UNMOVED = unmoved("neither voltage nor temperature enters it")


def counted(name: str, words: str, origin: Origin = Origin.MEASURED, *, meanings: tuple[str, ...] = ()) -> Measurand:
    """A whole number, a sense or the number of a pattern that nothing moves: equal or different, whatever is asked.

    `name` is the quantity's in its check, `words` say what it is, `meanings` what each number of a code says, from 0.
    """
    return Measurand(
        name=name,
        words=words,
        unit="1",
        sense=Sense.COUNT,
        origin=origin,
        follows=UNMOVED,
        detect=nothing("equal or different, whatever is asked"),
        meanings=meanings,
    )


def percent(value: float, why: str) -> UsualDetect:
    """A deviation by this value in percent of the expected one, and why."""
    return UsualDetect(entry=Detect(percent=value), why=why)


def absolute(value: float, why: str) -> UsualDetect:
    """A deviation by this value in the quantity's unit, and why."""
    return UsualDetect(entry=Detect(absolute=value), why=why)


def nothing(why: str) -> UsualDetect:
    """No entry, and why: the quantity is shown and not judged against its model."""
    return UsualDetect(entry=None, why=why)
