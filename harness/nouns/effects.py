"""How a cause shows in measured quantities: the words in which the table of causes is written."""

from __future__ import annotations

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
class Power:
    """Multiplied by a size other than the row's first, to `exponent`."""

    exponent: float
    by: str


@dataclass(frozen=True, slots=True)
class Becomes:
    """Computed from the motor's expected values and the size; `words` for the printed table."""

    value: Callable[[Expected, float], float]
    words: str


@dataclass(frozen=True, slots=True)
class Near:
    """Not moved, but for a stray of this size either way, in the quantity's unit."""

    stray: float


Effect = float | Shift | Power | Becomes | Near | Anything


Effects = dict[str, Effect]
"""What a cause does to quantities, by `check.quantity`; `|` adds to it, the right side stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One row.

    `words` may use {more}, {percent}, {ratio}, {shift}, {shift_ms}, {age_ms}, {measured}, {expected} (of `shown`),
    {note} and {like}.
    """

    name: str
    words: str
    effects: Mapping[str, Effect]
    sizes: Mapping[str, Size] = field(default_factory=lambda: {"size": Size()})
    where: Literal["motor", "rig", "any"] = "motor"
    """Whether it acts on one motor, on all, or on either."""
    shown: str = ""
    like: Callable[[Mapping[str, float]], str] = lambda _: ""
    """What sizes like these point to, in words; empty where they say no more than their numbers."""
    settled_by: str = ""
    """What would settle it outside this table, for a reader with a set of causes."""

    def effect(self, suffix: str) -> Effect | None:
        """What the cause does to a quantity, or None: it must agree."""
        return self.effects.get(suffix, self.effects.get(f"{Name(suffix).check}.*"))


def commutation(**effects: Effect) -> Effects:
    """Effects on quantities of this check; so do the next four."""
    return {f"commutation.{name}": effect for name, effect in effects.items()}


def stiffness(**effects: Effect) -> Effects:
    return {f"stiffness.{name}": effect for name, effect in effects.items()}


def step(**effects: Effect) -> Effects:
    return {f"step.{name}": effect for name, effect in effects.items()}


def thermal(**effects: Effect) -> Effects:
    return {f"thermal.{name}": effect for name, effect in effects.items()}


def together(**effects: Effect) -> Effects:
    return {f"together.{name}": effect for name, effect in effects.items()}


def whole(*checks: str) -> Effects:
    """Every quantity of these checks may do anything."""
    return {f"{check}.*": FREE for check in checks}


def torques(exponent: float) -> Effects:
    """All that goes with the torque of a given amplitude."""
    return stiffness(open_loop=exponent, closed_loop=exponent, slip_torque=exponent, clip_torque=exponent)
