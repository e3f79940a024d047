"""What a run does now, for a person who waits; nothing is decided by it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """One step of a run."""

    words: str
    fraction: float
    """How far what shows it is: 0 to 1."""
    count: str = ""
    """Where it counts up, how far it has come: it is still the same step."""

    @property
    def text(self) -> str:
        """All of it in words."""
        return f"{self.words}, {self.count}" if self.count else self.words
