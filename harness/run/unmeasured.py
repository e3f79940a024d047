"""Planned quantities that have come to no number, each with the reason."""

from __future__ import annotations

from collections.abc import Iterable

from harness.nouns.results import Measurement, Outcome, Unmeasured


def not_run(names: Iterable[str], reason: str) -> list[Measurement | Unmeasured]:
    """Nothing was measured."""
    return [Unmeasured(name=name, outcome=Outcome.NOT_RUN, reason=reason) for name in names]


def cannot_tell(names: Iterable[str], reason: str) -> list[Measurement | Unmeasured]:
    """What was measured tells nothing."""
    return [Unmeasured(name=name, outcome=Outcome.CANNOT_TELL, reason=reason) for name in names]
