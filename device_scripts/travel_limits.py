"""Limits of travel and speed, as counts of the angle sensor.

No pins of its own. Counts; speeds in counts in 100 ms.
"""

import time

from micropython import const

SPEED_BASE = const(16)  # counts at the speed limit between the two readings that tell a speed, for noise (arbitrary)
LEAST_BASE_US = const(900)  # a pass of the usual loop, less its jitter (arbitrary)
LONGEST_BASE_US = const(100000)


class Limits:
    """What each motor may do: tuples of an entry a motor, as a Guard is given them; `turn`: counts of a turn."""

    def __init__(self, turn, hang, travel, speed):
        self._turn, self._hang, self._travel, self._speed = turn, list(hang), list(travel), speed
        self._base_us = [
            max(LEAST_BASE_US, min(LONGEST_BASE_US, SPEED_BASE * 100000 // (limit or 1))) for limit in speed
        ]
        self._count = [None] * len(turn)
        self._ticks = [0] * len(turn)

    def set_to(self):
        """What they are, by the names that a Guard is given them by; tuples of an entry a motor."""
        return {"hang": tuple(self._hang), "travel": tuple(self._travel), "speed": tuple(self._speed)}

    def narrow(self, motor, around, travel):
        """Allow `travel` counts either way from `around` in place of what was allowed, which is returned."""
        before = self._hang[motor], self._travel[motor]
        self._hang[motor], self._travel[motor] = around, travel
        return before

    def exceeded(self, motor, count, ticks_us):
        """The limit that a reading is beyond, and its numbers; () if none, or if it came too soon to tell a speed."""
        turn = self._turn[motor]
        half = turn >> 1
        travel = self._travel[motor]
        if travel is not None and self._hang[motor] is not None:
            away = (count - self._hang[motor] + half) % turn - half
            if away > travel or away < -travel:
                return ("travel", away, travel)
        before = self._count[motor]
        elapsed = time.ticks_diff(ticks_us, self._ticks[motor])
        if before is not None and -1000000 < elapsed < self._base_us[motor]:
            return ()  # too soon, or a reading as old as the last: noise of one count would be a speed
        self._count[motor] = count
        self._ticks[motor] = ticks_us
        speed = self._speed[motor]
        if speed is not None and before is not None and elapsed > 0:
            moved = (count - before + half) % turn - half  # whole turns apart, it was more: never less
            if (abs(moved) - 1) * 100000 > speed * elapsed:
                return ("speed", moved, elapsed, speed)
        return ()
