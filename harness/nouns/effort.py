"""What a check takes and does, known before anything is opened: how long, how strong, how far, how warm."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Duration:
    """How long something takes on a bench, s: at least, usually, at most."""

    least_s: float
    usual_s: float
    most_s: float

    @classmethod
    def of(cls, usual_s: float) -> Duration:
        """What always takes as long.

        >>> Duration.of(2.0).most_s
        2.0
        """
        return cls(least_s=usual_s, usual_s=usual_s, most_s=usual_s)

    def times(self, count: int) -> Duration:
        """`count` of them, one after the other."""
        return Duration(least_s=count * self.least_s, usual_s=count * self.usual_s, most_s=count * self.most_s)


def in_all(durations: Iterable[Duration]) -> Duration:
    """All of them, one after the other.

    >>> in_all([Duration.of(1.0), Duration(least_s=1.0, usual_s=2.0, most_s=5.0)])
    Duration(least_s=2.0, usual_s=3.0, most_s=6.0)
    """
    every = list(durations)
    return Duration(
        least_s=sum(each.least_s for each in every),
        usual_s=sum(each.usual_s for each in every),
        most_s=sum(each.most_s for each in every),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What one check takes and does to each motor that it drives."""

    duration: Duration
    phase_current_a: float
    """Peak current of a phase, at most."""
    travel_rad: float
    """Of the shaft from where it hangs, either way, at most."""
    energy_j: float
    """Into the motor, at most: the copper's loss."""
    rise_k: float | None
    """Of the winding, at most, begun at the room's temperature; None where the rig file does not let it be known."""
    rise_needs: tuple[str, ...] = ()
    """What is missing for that, as a rig file has it."""
