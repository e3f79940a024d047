"""The loop of one motor, by the firmware's own timing or called from here, with the last pass that its trace told of.

No pins of its own. Counts of the angle sensor, microseconds.
"""

import time

from micropython import const

STILL_MS = const(250)  # half a swing of a heavy arm, which stands at its ends as well (arbitrary)
REST_MS = const(3000)


class _Hook:
    """The last pass that the firmware told of."""

    def __init__(self):
        self.passes = self.ticks = self.count = self.demand = 0
        self.put = self._put  # bound once: the hook must not allocate

    def _put(self, ticks, count, demand):
        self.ticks = ticks
        self.count = count
        self.demand = demand
        self.passes += 1


class TracedLoop:
    """The loop of one motor, by the firmware's own timing or called from here, with its trace beside our readings."""

    def __init__(self, guard, motor):
        self.guard, self.motor, self.drive = guard, motor, guard.drive
        declared = self.drive.declare(motor)
        self.own = declared["pace"] == "own"
        self.period_us = declared["loop_period_us"]
        self.turn = guard.turn[motor]
        self.hook = _Hook()
        self.traced = hasattr(self.drive, "trace")
        self.called = 0
        self.begun_ms = time.ticks_ms()
        self.started = time.ticks_us()

    def away(self, count, first):
        """Counts from `first`, the short way."""
        half = self.turn >> 1
        return (count - first + half) % self.turn - half

    def rested(self, move):
        """The count at which the shaft rests, within an eighth of `move`; where it is, if it swings for REST_MS."""
        begun = time.ticks_ms()
        since, first = begun, self.guard.angle(self.motor)[0]
        count = first
        while time.ticks_diff(time.ticks_ms(), begun) < REST_MS:
            self.guard.listen()
            time.sleep_ms(4)
            count = self.guard.angle(self.motor)[0]
            if abs(self.away(count, first)) > max(2, move // 8):
                since, first = time.ticks_ms(), count
            elif time.ticks_diff(time.ticks_ms(), since) > STILL_MS:
                break
        return count

    def go(self):
        """Close it."""
        if self.own:
            self.guard.start(self.motor, False)
        self.begun_ms = time.ticks_ms()

    def judge(self):
        """Stop a loop that is known to make passes, and makes them too late: it is no loop that does not follow."""
        passes = self.hook.passes if self.own else self.called
        if passes:
            lasted_ms = time.ticks_diff(time.ticks_ms(), self.begun_ms)
            self.guard.passes.judge(self.motor, self.own, passes, lasted_ms, self.period_us)

    def end(self):
        """Open it in the way that belongs to its pace."""
        act = self.drive.stop if self.own else self.drive.off
        act(self.motor)

    def pause(self):
        """A millisecond of it."""
        self.guard.listen()
        if self.own:
            time.sleep_ms(1)
            return
        begun = time.ticks_us()
        for _ in range(max(1, 1000 // self.period_us)):
            self.guard.passes.step(self.motor)
            self.called += 1
        left = max(1000, self.period_us) - time.ticks_diff(time.ticks_us(), begun)
        if left > 0:
            time.sleep_us(left)
