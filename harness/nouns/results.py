"""The nouns that travel from a check to the record: measurement, expectation, requirement, verdict.

Data only; harness/judge/verdict.py decides, harness/judge/diagnosis.py explains.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from harness.nouns.names import CONDUCT, Name
from harness.nouns.quantity import Quantity
from harness.nouns.standing import Standing


class Outcome(StrEnum):
    """The words of a verdict; see the README for what each means."""

    AGREES = "agrees"
    DIFFERS = "differs"
    CANNOT_TELL = "cannot tell"
    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    UNDECIDED = "undecided"
    NOT_JUDGED = "not judged"
    NOT_RUN = "not run"

    @property
    def standing(self) -> Standing:
        """What it says for the board."""
        return _STANDINGS[self]


_STANDINGS = {
    Outcome.AGREES: Standing.GOOD,
    Outcome.DIFFERS: Standing.BAD,
    Outcome.CANNOT_TELL: Standing.OPEN,
    Outcome.CONFORMING: Standing.GOOD,
    Outcome.NONCONFORMING: Standing.BAD,
    Outcome.UNDECIDED: Standing.OPEN,
    Outcome.NOT_JUDGED: Standing.UNJUDGED,
    Outcome.NOT_RUN: Standing.ABSENT,
}


KEY = re.compile(r"[a-z_]+(\.[a-z0-9_]+)*")
"""What a model needs and a rig file can state, as a rig file names it."""


class VerdictKind(StrEnum):
    """What a verdict is on."""

    QUANTITY = "quantity"
    STOP = "stop"
    """A stop that the board under test provoked; its name is `motor.check.limits`."""
    CONDUCT = "conduct"
    """Something that the firmware does against its contract; its name is `motor.conduct.what`."""


REQUIRED = (Outcome.CONFORMING, Outcome.NONCONFORMING, Outcome.UNDECIDED)
"""Words of a verdict against a requirement."""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Measurement:
    """A measured quantity. `name` is `motor.check.quantity`, or `together.quantity` for both motors."""

    name: str
    quantity: Quantity
    observations: tuple[str, ...] = ()
    note: str = ""

    def __repr__(self) -> str:
        return f"<{self.name}: measured {self.quantity}>"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmeasured:
    """A planned quantity without a number: `not run` (rig lacks something, precondition) or `cannot tell`."""

    name: str
    outcome: Outcome
    reason: str
    """Why, and what to add or do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Detect:
    """The smallest deviation that must not go unseen: percent of the expected value, or absolute.

    From what is expected of what the rig file states, 95 times in 100, whatever its inputs are within their tolerances.
    """

    percent: float | None = None
    absolute: float | None = None

    def deviation(self, expected: float) -> float:
        """The deviation in the unit of the quantity, whose expected value is given.

        >>> Detect(percent=15.0).deviation(0.6), Detect(absolute=0.7).deviation(11.0)
        (0.09, 0.7)
        """
        return self.absolute if self.absolute is not None else abs(expected) * (self.percent or 0.0) / 100.0


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Expectation:
    """A value predicted from the rig file, or `needs`: the names of what is missing for that, as a rig file has them.

    `interval` (low, high) stands beside the quantity where the prediction is an interval of equally good
    values (a shaft stuck by friction): measured agrees inside it, the budget applies to its ends.
    """

    name: str
    quantity: Quantity | None = None
    interval: tuple[float, float] | None = None
    from_floor: bool = False
    """The interval begins where the quantity does (no time is negative): its lower end is no limit to be near to."""
    needs: tuple[str, ...] = ()
    model: str = ""
    """The formula in words with its source, and what it leaves out."""
    inputs: Mapping[str, float] = field(default_factory=dict)
    detect: Detect | None = None
    """What must not go unseen, for a test of a person's own; judging a qualification takes the rule's."""

    def __repr__(self) -> str:
        words = needed(self.needs) or "nothing expected" if self.quantity is None else f"expected {self.quantity}"
        return f"<{self.name}: {words}>"


def needed(names: Sequence[str]) -> str:
    """The names of what is missing, for a reader; "" where nothing is.

    >>> needed(["motor.leaf.pole_pairs", "room"])
    'needs motor.leaf.pole_pairs, room'
    """
    return f"needs {', '.join(names)}" if names else ""


def stateable(needs: Iterable[str]) -> bool:
    """Whether a rig file can state all of `needs`: each is a key of one, and not a sentence of why there is none.

    >>> stateable(["motor.leaf.pole_pairs", "room"]), stateable(["how evenly the magnets sit"])
    (True, False)
    """
    return all(KEY.fullmatch(need) for need in needs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """A specification limit from the rig file; at least one of the two is set."""

    name: str
    low: float | None = None
    high: float | None = None


class Fitness(StrEnum):
    """What a study says of the gauge of one quantity."""

    FIT = "fit"
    COARSE = "too coarse"
    NOT_TOLD = "not told"
    UNASKED = "no requirement"

    @property
    def standing(self) -> Standing:
        """What it says for the bench."""
        return {Fitness.FIT: Standing.GOOD, Fitness.UNASKED: Standing.UNJUDGED}.get(self, Standing.OPEN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What a study of the bench found on one quantity: how much readings scatter that are of one board."""

    name: str
    grr: float
    """Standard deviation of a reading of one board: repeats, and benches and days where they were studied."""
    mean: float
    """Mean of the study's runs: a single limit is as far away as it is from this."""
    largest: str = ""
    """The largest part of it in words, with what would help."""
    study: int = 0
    """Its number in the store."""
    made_utc: str = ""
    """When it was made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The decision on one quantity, with what it was taken from."""

    name: str
    outcome: Outcome
    unit: str = ""
    measured: Quantity | None = None
    expected: Expectation | None = None
    requirement: Requirement | None = None
    limits: tuple[float, float] | None = None
    """Acceptance interval for the measured value."""
    margin: float | None = None
    """Distance from the nearest limit, positive inside, in the unit of the quantity."""
    e_n: float | None = None
    detectable: float | None = None
    """The smallest deviation that would have been caught 95 times in 100."""
    must_detect: float | None = None
    kind: VerdictKind = VerdictKind.QUANTITY
    unasked: bool = False
    """Measured and not judged because nothing says which deviation must be seen."""
    reason: str = ""
    remedies: tuple[str, ...] = ()
    """What would help where it is open, a line each."""
    note: str = ""
    """What the measurement noted (`phase C carries no current`); a diagnosis may repeat it."""

    @property
    def may_be_waived(self) -> bool:
        """Whether a person may answer for it: never for a stop, nor for conduct that is against the contract."""
        against = Name(self.name).check == CONDUCT and self.outcome.standing is Standing.BAD
        return self.kind is VerdictKind.QUANTITY and not against


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A measured curve for the reader of a report, with the model of each series and its band where there is one.

    `name` is `motor.check.what`. Lists are in SI units; points measured in different ways are separate
    entries of `series`. `models` holds (x, value, standard uncertainty) rows by the names of `series`; in a record
    of before each series had its own, one model of all of them, under "".
    """

    name: str
    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    series: Mapping[str, tuple[tuple[float, float], ...]]
    joined: bool = False
    """True for a signal sampled in time (drawn as a line), False for separate points."""
    begun: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    """How each series came about, for its model: sense, start, size, in the words of its check. Not recorded."""
    models: Mapping[str, tuple[tuple[float, float, float], ...]] = field(default_factory=dict)
