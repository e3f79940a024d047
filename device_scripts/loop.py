"""Set-point steps of the firmware's own position loop, every pass of it traced.

No pins of its own. Counts of the angle sensor, microseconds, milliseconds; demands in 1/32768. Firmware
that paces itself is started and stopped; one that wants to be called gets control_step once a period.
Stream `trace`: t (instant of sampling, from the start), count, demand, step (number of the step, 0 before
the first). Event `start`: (count that offsets are from, cost of the trace hook in ns, counts within which
the shaft counts as still). The hook runs inside the firmware's pass, so it only puts three numbers away.
"""

import time
from array import array

import frames
from micropython import const

RING = const(256)  # passes that may wait to be sent; a power of two
BLOCK = const(20)  # passes that are summed to see small swings below the noise
SETTLE_MS = const(100)  # at the start: how far the reading wanders at rest
COLUMNS = (("t", "us", "I"), ("count", "1", "H"), ("demand", "1", "h"), ("step", "1", "B"))


class _Trace:
    """Ring of the last passes, filled by the hook and emptied by the main program."""

    def __init__(self):
        self.ticks = array("I", [0] * RING)
        self.count = array("H", [0] * RING)
        self.demand = array("h", [0] * RING)
        self.step = array("B", [0] * RING)
        self.head = self.tail = 0
        self.now = 0
        self.hook = self._put  # bound once: the hook must not allocate

    def _put(self, ticks, count, demand):
        at = self.head & RING - 1
        self.ticks[at] = ticks
        self.count[at] = count
        self.demand[at] = demand
        self.step[at] = self.now
        self.head += 1

    def cost_ns(self):
        """What one call costs, from 100."""
        begun = time.ticks_us()
        for _ in range(100):
            self.hook(0, 0, 0)
        taken = time.ticks_diff(time.ticks_us(), begun)
        self.head = self.tail = 0
        return taken * 10


class _Steps:
    """The loop of one motor at work."""

    def __init__(self, guard, motor, size):
        self.guard = guard
        self.motor = motor
        declared = guard.drive.declare(motor)
        self.turn = declared["counts_per_turn"]
        self.own = declared["pace"] == "own"
        self.period_us = declared["loop_period_us"]
        self.trace = _Trace()
        self.stream = frames.Stream("trace", COLUMNS, size)
        self.slack = 0
        self.reset()

    def reset(self):
        """Begin to watch afresh whether the shaft is still."""
        self.low = self.high = self.sum = self.number = 0
        self.origin = self.least = self.most = None
        self.since = self.block_begun = time.ticks_us()

    def begin(self):
        """Close the loop where the shaft stands; the count there."""
        drive = self.guard.drive
        self.cost_ns = self.trace.cost_ns()
        drive.trace(self.motor, self.trace.hook)
        count = self.guard.angle(self.motor)[0]
        drive.set_point(self.motor, count)
        if self.own:
            drive.start(self.motor)
        self.started = self.due = time.ticks_us()
        return count

    def end(self):
        """Open the loop, hook away, phases off."""
        drive = self.guard.drive
        if self.own:
            drive.stop(self.motor)
        drive.trace(self.motor, None)
        self.guard.off()

    def turn_round(self):
        """One period: a pass if the firmware wants to be called, then what the trace has."""
        self.guard.listen()
        if self.own:
            time.sleep_ms(1)
        else:
            self.due = time.ticks_add(self.due, self.period_us)
            left = time.ticks_diff(self.due, time.ticks_us())
            if left > 0:
                time.sleep_us(left)
            self.guard.drive.control_step(self.motor)
        trace = self.trace
        if trace.head - trace.tail > RING:
            raise RuntimeError("trace: %d passes waited, %d have room" % (trace.head - trace.tail, RING))
        while trace.tail < trace.head:
            at = trace.tail & RING - 1
            ticks = trace.ticks[at]
            count = trace.count[at]
            self.guard.check(self.motor, count, ticks)
            self.stream.row(time.ticks_diff(ticks, self.started) & 0x3FFFFFFF, count, trace.demand[at], trace.step[at])
            self.watch(count)
            trace.tail += 1

    def watch(self, count):
        """Take a reading: their span since the last reset, and sums of BLOCK that noise moves less than a swing does."""
        if self.origin is None:
            self.origin = count
        half = self.turn >> 1
        away = (count - self.origin + half) % self.turn - half
        self.low = min(self.low, away)
        self.high = max(self.high, away)
        self.sum += away
        self.number += 1
        if self.number < BLOCK:
            return
        total, begun = self.sum, self.block_begun
        self.sum = self.number = 0
        self.block_begun = time.ticks_us()
        if self.least is None:
            self.least = self.most = total
        self.least = min(self.least, total)
        self.most = max(self.most, total)
        if self.most - self.least > self.slack:
            self.least = self.most = total
            self.since = begun

    def still_for_us(self):
        """How long blocks of readings have stayed alike."""
        return time.ticks_diff(self.block_begun, self.since)


def steps(guard, motor, offsets, small, least_ms=150, still_ms=60, most_ms=1200, size=576):
    """Step the set point to each of `offsets` in turn: counts from where the shaft stands when the loop is closed.

    A step lasts until the shaft has been still for `still_ms` and for a fifth of the step (at a turning point of a
    slow loop it seems to stand as well), at least `least_ms`, at most `most_ms`. What follows the first `small`
    steps is left out when most of them did not come to rest.
    """
    work = _Steps(guard, motor, size)
    first = work.begin()
    restless = made = 0
    try:
        begun = time.ticks_us()
        while time.ticks_diff(time.ticks_us(), begun) < SETTLE_MS * 1000:
            work.turn_round()
        span = work.high - work.low
        work.slack = 4 * span + BLOCK // 2  # four standard deviations of a block's sum, and half a count of rounding
        frames.event("start", (first, work.cost_ns, span * 3 // 2 + 2))
        for offset in offsets:
            if made >= small and restless * 2 > small:
                break
            made += 1
            work.trace.now = made
            guard.drive.set_point(motor, (first + offset) % work.turn)
            begun = time.ticks_us()
            work.reset()
            while True:
                work.turn_round()
                lasted = time.ticks_diff(time.ticks_us(), begun)
                still = work.still_for_us()
                if lasted >= least_ms * 1000 and still >= max(still_ms * 1000, lasted // 5):
                    break
                if lasted >= most_ms * 1000:
                    restless += 1
                    break
    finally:
        work.end()
    frames.event("done", made)
