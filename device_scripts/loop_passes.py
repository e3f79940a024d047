"""Whether a loop makes its passes, and each in its period: a firmware's callback may raise, or never run, in silence.

No pins of its own. Periods in microseconds. Where the firmware has a trace hook its passes are counted for a moment
after the loop was closed.
"""

import time

from micropython import const

WATCHED = const(20)  # passes of a loop just closed that are counted (arbitrary)
LATE = const(2)  # periods between two passes, on the mean, are no jitter any more (arbitrary)
NO_PASS_MS = const(1000)  # and 20 periods: a loop that makes none then is no slow one (arbitrary)


class Passes:
    """The passes of one motor's loop, for a Guard, which it has stop the motor."""

    def __init__(self, guard):
        self._guard = guard
        self._motor = None
        self._hook = self._note  # bound once: the hook must not allocate
        self._spent_us = 0

    def watch(self, motor):
        """Count the passes of a loop that was just closed, if the firmware tells them."""
        self.leave()
        drive = self._guard.drive
        trace = getattr(drive, "trace", None)
        if trace is not None:
            self._motor, self._made, self._begun_ms = motor, 0, time.ticks_ms()
            self._period_us = drive.declare(motor)["loop_period_us"]
            trace(motor, self._hook)

    def _note(self, ticks, _count, _demand):
        if not self._made:
            self._first = ticks
        self._last = ticks
        self._made += 1

    def leave(self):
        """Count no more."""
        if self._motor is not None:
            self._guard.drive.trace(self._motor, None)
            self._motor = None

    def look(self):
        """Stop a loop that makes no passes, or each much later than its period; leave one that makes them."""
        motor = self._motor
        if motor is None:
            return
        waited_ms = time.ticks_diff(time.ticks_ms(), self._begun_ms)
        made = self._made
        if made == 0 and waited_ms > max(NO_PASS_MS, 20 * self._period_us // 1000):
            self.leave()
            self._guard.stop(motor, "no_pass", waited_ms)
        if made >= WATCHED or (made > 2 and self._guard.reason):
            self.leave()
            self._judge(motor, "late_pass", time.ticks_diff(self._last, self._first) // (made - 1), LATE)

    def step(self, motor):
        """A pass of firmware that wants to be called, timed."""
        begun = time.ticks_us()
        self._guard.drive.control_step(motor)
        self._spent_us += time.ticks_diff(time.ticks_us(), begun)

    def judge(self, motor, own, passes, lasted_ms, period_us):
        """Stop a loop whose passes come too late, or, if it is called, take longer than its period, on the mean."""
        self._period_us = period_us
        if own:
            self._judge(motor, "late_pass", lasted_ms * 1000 // passes, LATE)
        else:
            self._judge(motor, "long_pass", self._spent_us // passes, 1)

    def _judge(self, motor, limit, us, periods):
        if us > periods * self._period_us:
            self._guard.stop(motor, limit, us, self._period_us)
