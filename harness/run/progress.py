"""How far a qualification is and how long it will still take, from what it has taken so far. For showing only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.base.clock import Clock

ENOUGH = 0.5
"""Share of the first check after which its pace says something of the rest (arbitrary)."""

CheckOnMotor = tuple[str, str]
"""Check and motor."""


class Progress:
    """Follows the runs of a plan, one after the other.

    A check that was run on one motor is expected to take as long on the next; one that was not, what is usual
    times the pace so far.
    """

    def __init__(
        self,
        runs: Iterable[CheckOnMotor],
        *,
        usual_s: Mapping[CheckOnMotor, float],
        clock: Clock,
        in_seconds: bool = False,
    ) -> None:
        """`usual_s`: how long each check usually takes on each motor. `clock` gives wall time.

        `in_seconds`: it takes that long here, so that what is left is known before anything was done; else only the
        ratios mean something.
        """
        self._in_seconds = in_seconds
        self._usual_s = usual_s
        self._clock = clock
        self._left = list(dict.fromkeys(runs))
        self._total_s = sum(self._usual_s[run] for run in self._left)
        self._done_s = 0.0
        self._taken_s: dict[str, float] = {}
        self._spent_s = 0.0
        self._usual_spent_s = 0.0
        self._now: CheckOnMotor | None = None
        self._began_s = clock.now_s()
        self._shown = 0.0

    def begin(self, check: str, motor: str) -> None:
        """A check begins; what was never planned is followed as well."""
        if (check, motor) in self._left:
            self._left.remove((check, motor))
        else:
            self._total_s += self._usual_s[check, motor]
        self._now = (check, motor)
        self._began_s = self._clock.now_s()

    def end(self, *, whole: bool = True) -> None:
        """It is over; `whole=False`: cut short or left out, so that its duration says nothing."""
        if self._now is None:
            return
        usual_s = self._usual_s[self._now]
        self._done_s += usual_s
        if whole:
            taken_s = self._clock.now_s() - self._began_s
            self._taken_s[self._now[0]] = taken_s
            self._spent_s += taken_s
            self._usual_spent_s += usual_s
        self._now = None

    def leave_out(self, check: str, motor: str) -> None:
        """A planned run will not come."""
        self.begin(check, motor)
        self.end(whole=False)

    def fraction(self, of_check: float = 0.0) -> float:
        """Share of the whole, 0 to 1, never falling; `of_check`: share of the running check."""
        running_s = 0.0 if self._now is None else self._usual_s[self._now] * of_check
        self._shown = max(self._shown, min((self._done_s + running_s) / (self._total_s or 1.0), 1.0))
        return self._shown

    def remaining_s(self, of_check: float = 0.0) -> float | None:
        """Wall time still to come; None while too little was done to say."""
        used_s = 0.0 if self._now is None else self._clock.now_s() - self._began_s
        if self._in_seconds:
            pace = 1.0
        elif self._taken_s:  # whole checks only: the parts of one are not equally quick
            pace = self._spent_s / self._usual_spent_s
        elif self._now is not None and of_check >= ENOUGH:
            pace = used_s / (of_check * self._usual_s[self._now])
        else:
            return None
        left_s = sum(self._expected_s(run, pace) for run in self._left)
        if self._now is not None:
            # What was expected of it, and more and more what it has shown: used / share is its whole.
            whole_s = (1.0 - of_check) * self._expected_s(self._now, pace) + used_s
            left_s += (1.0 - of_check) * whole_s
        return left_s

    def _expected_s(self, run: CheckOnMotor, pace: float) -> float:
        return self._taken_s.get(run[0], pace * self._usual_s[run])
