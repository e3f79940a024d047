"""How a cause shows in measured quantities: the words in which the table of causes is written.

A row names a cause in words and says for each quantity what becomes of it when the cause has a size:

    a number        measured = expected x size^number        (size 1: nothing is wrong)
    Shift(number)   measured = expected + number x size      (size 0: nothing is wrong)
    Becomes(f)      measured = f(expected values of this motor, size): patterns, shares, angles
    OneOf(codes)    measured = any one of these codes, another on each motor as it may be
    FREE            may do anything, a consequence too involved for a table
    HAPPENS         as FREE, but evidence where it differs: a stop that the board provoked

`*` stands for the quantities of a check that are not named. A quantity that is not named at all must agree, or the row
is out: that keeps a second fault from passing as the size of the first. Exponents are first-order physics (the relation
stands beside each row); the diagnosis allows a tenth of each predicted change for that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from harness.nouns.names import Name

Expected = Mapping[str, float]
"""Expected values of one motor by `check.quantity`."""


class Anything(Enum):
    """Effects without a number."""

    FREE = "free"
    HAPPENS = "happens"


FREE = Anything.FREE
"""May do anything: neither for nor against the cause."""
HAPPENS = Anything.HAPPENS
"""As FREE, and where it differs it is evidence: for a stop that the board provoked (`check.limits`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How large a cause is: a ratio to the rig file's value (1 = none), or a shift (0 = none)."""

    kind: Literal["ratio", "shift"] = "ratio"
    low: float = 0.02
    high: float = 50.0

    @property
    def none(self) -> float:
        """The size at which nothing is wrong."""
        return 1.0 if self.kind == "ratio" else 0.0


@dataclass(frozen=True, slots=True)
class Shift:
    """Added: `scale` times the size named `by`; a motor may stray from it by `stray`, in the quantity's unit."""

    scale: float = 1.0
    by: str = "size"
    stray: float = 0.0


@dataclass(frozen=True, slots=True)
class Becomes:
    """Computed from the motor's expected values and the size; `words` for the printed table."""

    value: Callable[[Expected, float], float]
    words: str


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of several codes: which of them chance decides, for each motor by itself."""

    codes: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Near:
    """Not moved, but for a stray of this size either way, in the quantity's unit."""

    stray: float


Effect = float | Shift | Becomes | OneOf | Near | Anything

Effects = dict[str, Effect]
"""What a cause does to quantities; `|` adds to it, the right side stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One row, in the `causes.py` of the check that shows it first.

    `words` may use {more}, {percent}, {ratio}, {shift}, {shift_ms}, {age_ms}, {measured}, {expected} (of `shown`),
    {note} and {like}.
    """

    name: str
    words: str
    effects: Mapping[str, Effect]
    """On quantities of its own check, by their names there (`*`: those not named). Gathered with what other checks say
    of it (`harness.judge.causes`), by `check.quantity`."""
    sizes: Mapping[str, Size] = field(default_factory=lambda: {"size": Size()})
    where: Literal["motor", "rig", "any"] = "motor"
    """Whether it acts on one motor, on all, or on either."""
    elsewhere: Effect | None = None
    """What it does to every quantity of a check that says nothing of it; None: they must agree."""
    shown: str = ""
    """Full suffix of the quantity whose numbers stand in the words."""
    like: Callable[[Mapping[str, float]], str] = lambda _: ""
    """What sizes like these point to, in words; empty where they say no more than their numbers."""
    confirmed_by: str
    """What would confirm it outside this table, for a reader with a set of causes."""

    def effect(self, suffix: str) -> Effect | None:
        """What the gathered cause does to a quantity by its `check.quantity`, the suffix; None: it must agree."""
        return self.effects.get(suffix, self.effects.get(f"{Name(suffix).check}.*"))


ANY_SHIFT: Mapping[str, Size] = {"size": Size(kind="shift", low=-math.inf, high=math.inf)}
LATER: Mapping[str, Size] = {"size": Size(kind="shift", low=0.0, high=1.0)}
"""Up to a second."""
NO_SIZE: Mapping[str, Size] = {}
