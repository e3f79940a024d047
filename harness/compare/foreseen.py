"""What a comparison with a baseline will see, before anything is measured: as if its newest run came again."""

from __future__ import annotations

from dataclasses import dataclass

from harness.base.errors import UsageError
from harness.compare.baseline import Baseline
from harness.compare.comparable import ComparableValue, comparable_values
from harness.compare.difference import Terms, difference_from
from harness.compare.drift import in_time
from harness.nouns.coverage import caught_from


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeseenDifference:
    """Of one quantity."""

    name: str
    unit: str = ""
    seen_from: float | None = None
    """The smallest difference that is called different 95 times in 100; 0 for a count."""
    reach: float | None = None
    """How much of a difference stays open where none is found: with a margin below it nothing is equivalent."""
    margin: float | None = None
    limited_by: str = ""
    """The largest contribution, with what would shrink it."""
    why_not: str = ""
    """Why nothing can be compared; "" if something can."""

    @property
    def decides(self) -> bool:
        """Whether an unchanged board can be shown to be as in the baseline."""
        if self.why_not:
            return False
        return self.seen_from == 0.0 or (self.margin is not None and (self.reach or 0.0) < self.margin)


def foreseen_differences(against: Baseline, terms: Terms, repeats: int) -> dict[str, ForeseenDifference]:
    """Of every quantity of a baseline, for so many runs in one mounting on its newest run's board and instruments."""
    newest = comparable_values(in_time(against.records)[-1], against.nominal_v)
    found = {}
    for name, level in against.levels.items():
        like = newest.get(name, "its newest run does not have it")
        runs: list[ComparableValue | str] = [like] * repeats
        try:
            difference = difference_from(level, runs, ["one"] * repeats, terms)
        except UsageError as error:
            found[name] = ForeseenDifference(name=name, why_not=str(error))
            continue
        unit = difference.unit
        if difference.gap is not None and difference.allowed is not None and difference.bounds is not None:
            low, high = difference.bounds
            found[name] = ForeseenDifference(
                name=name,
                unit=unit,
                seen_from=caught_from(difference.gap, difference.allowed),
                reach=(high - low) / 2.0,
                margin=difference.margin,
                limited_by=difference.gap.largest(),
            )
        elif level.exact and not level.why_not and isinstance(like, ComparableValue):
            found[name] = ForeseenDifference(name=name, unit=unit, seen_from=0.0)
        else:
            found[name] = ForeseenDifference(name=name, unit=unit, why_not=difference.reason)
    return found
