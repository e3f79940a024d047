"""Verdicts as pytest outcomes: each word of a verdict is an exception type of its own, so that JUnit shows it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from harness.base.words import visible
from harness.judge.agreement import describe
from harness.nouns.results import Outcome, Verdict
from harness.nouns.standing import Standing


class Differs(AssertionError):
    """Measured and expected are further apart than their uncertainty allows."""


class Nonconforming(AssertionError):
    """A requirement is not met, or the board provoked a stop."""


class CannotTell(AssertionError):
    """This bench cannot see the deviation that must not go unseen."""


class Undecided(AssertionError):
    """Too near a limit to be decided either way."""


FAILURES: dict[Outcome, type[AssertionError]] = {
    Outcome.DIFFERS: Differs,
    Outcome.NONCONFORMING: Nonconforming,
    Outcome.CANNOT_TELL: CannotTell,
    Outcome.UNDECIDED: Undecided,
}
"""In the order in which one of several verdicts on a quantity is reported."""


def raise_unless_good(quantity: str, verdicts: Sequence[Verdict]) -> None:
    """Fail with the worst verdict's words; skip where there is none to judge, with the reason."""
    __tracebackhide__ = True
    for outcome, failure in FAILURES.items():
        for verdict in verdicts:
            if verdict.outcome is outcome:
                raise failure(visible(describe(verdict)))
    if not any(verdict.outcome.standing is Standing.GOOD for verdict in verdicts):
        words = "; ".join(f"{verdict.outcome.value}: {verdict.reason}" for verdict in verdicts) or "no verdict"
        pytest.skip(visible(f"{quantity}: {words}"))
