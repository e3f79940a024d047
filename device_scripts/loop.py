"""Set-point steps of the firmware's own position loop, every pass of it traced.

No pins of its own. Counts of the angle sensor, microseconds, milliseconds; demands in 1/32768. Firmware
that paces itself is started and stopped; one that wants to be called gets control_step once a period.
Stream `trace`: t (instant of sampling, from the start), count, demand, step (number of the step, 0 before
the first). Event `start`: (count that offsets are from, cost of the trace hook in ns, three standard
deviations of the reading in counts). The hook runs inside the firmware's pass, so it only puts three numbers away.
"""

import time
from array import array

import frames
from micropython import const

RING = const(256)  # passes that may wait to be sent; a power of two
BLOCK = const(20)  # passes that are summed to see small swings below the noise
LEARN = const(60)  # passes at the start whose noise is taken
PATIENCE = const(20)  # times as long as they should take, a second at least: a loop that makes none is no slow one
COLUMNS = (("t", "us", "I"), ("count", "1", "I"), ("demand", "1", "i"), ("step", "1", "B"))


class _Trace:
    """Ring of the last passes, filled by the hook and emptied by the main program."""

    def __init__(self):
        self.ticks = array("I", [0] * RING)
        self.count = array("I", [0] * RING)
        self.demand = array("i", [0] * RING)
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
        self.guard, self.motor = guard, motor
        declared = guard.drive.declare(motor)
        self.turn = declared["counts_per_turn"]
        self.own = declared["pace"] == "own"
        self.period_us = declared["loop_period_us"]
        self.trace = _Trace()
        self.stream = frames.Stream("trace", COLUMNS, size)
        self.slack = 0
        self.look_us = max(1000, self.period_us) * 9 // 10  # one reading is looked at once
        self.reset()

    def reset(self):
        """Begin to watch afresh whether the shaft is still."""
        self.seen = self.rough = self.sum = self.number = 0
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
            self.guard.start(self.motor, False)
        self.started = self.due = self.looked = time.ticks_us()
        return count

    def end(self):
        """Open the loop, hook away, phases off."""
        self.guard.off()
        self.guard.drive.trace(self.motor, None)

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
            self.guard.passes.step(self.motor)
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
        # Firmware without a valid reading goes on with the last one, or leaves the hook out: the trace tells nothing.
        now = time.ticks_us()
        if time.ticks_diff(now, self.looked) >= self.look_us:
            self.looked = now
            self.guard.angle(self.motor)

    def watch(self, count):
        """Take a reading: into sums of BLOCK, which noise moves less than a last small swing does."""
        if self.origin is None:
            self.origin = count
            self.last = self.before = 0
        half = self.turn >> 1
        away = (count - self.origin + half) % self.turn - half
        self.rough += abs(away - 2 * self.last + self.before)  # noise alone: motion is smooth from pass to pass
        self.before, self.last = self.last, away
        self.seen += 1
        self.sum += away
        self.number += 1
        if self.number < BLOCK:
            return
        total, begun = self.sum, self.block_begun
        self.sum = self.number = 0
        self.block_begun = time.ticks_us()
        if self.least is None or self.most is None:
            self.least = self.most = total
        self.least = min(self.least, total)
        self.most = max(self.most, total)
        if self.most - self.least > self.slack:
            self.least = self.most = total
            self.since = begun

    def still_for_us(self):
        """How long blocks of readings have stayed alike."""
        return time.ticks_diff(self.block_begun, self.since)

    def learn(self):
        """Take the noise of the reading, whether the shaft moves or not; three of its standard deviations, counts."""
        self.reset()
        begun = time.ticks_ms()
        most_ms = max(1000, min(60000, PATIENCE * LEARN * self.period_us // 1000))
        while self.seen < LEARN:
            self.turn_round()
            if self.seen < LEARN and time.ticks_diff(time.ticks_ms(), begun) > most_ms:
                self.guard.stop(self.motor, "loop", self.seen, most_ms)
        lasted_ms = time.ticks_diff(time.ticks_ms(), begun)
        self.guard.passes.judge(self.motor, self.own, self.seen, lasted_ms, self.period_us)
        # Second differences of noise are 1.95 standard deviations on the mean, sums of BLOCK 4.5 of one.
        self.slack = self.rough * 10 // self.seen + BLOCK // 2
        return self.rough * 3 // (2 * self.seen) + 1

    def rest(self, least_ms, still_ms, most_ms):
        """Wait for the shaft to have been still for `still_ms` and a fifth of the time; False if it never was."""
        begun = time.ticks_us()
        self.reset()
        while True:
            self.turn_round()
            lasted = time.ticks_diff(time.ticks_us(), begun)
            if lasted >= least_ms * 1000 and self.still_for_us() >= max(still_ms * 1000, lasted // 5):
                return True
            if lasted >= most_ms * 1000:
                return False


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
        noise = work.learn()
        work.rest(0, still_ms, most_ms)
        frames.event("start", (first, work.cost_ns, noise))
        for offset in offsets:
            if made >= small and restless * 2 > small:
                break
            made += 1
            work.trace.now = made
            guard.drive.set_point(motor, (first + offset) % work.turn)
            restless += not work.rest(least_ms, still_ms, most_ms)
    finally:
        work.end()
    frames.event("done", made)
