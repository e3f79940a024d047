"""What the drive does when it is told: off, stop, start, brake, fields, set points; under a busy loop as well.

Pins by number, as in pins.py: `phases`, `enable` and its level `off` of the motor. Counts of the angle sensor,
microseconds, milliseconds, amplitudes in 1/32768, duties in 1/65535, electrical angles in 1/65536 turn, shares of time
in 1/10000. Events carry what was found; the host decides. The guard supervises every reading, as elsewhere.
"""

import time

import frames
import pins
from machine import Pin
from micropython import const

LATER_MS = const(60)  # some dozens of passes of the usual loop: what switches on again has done so (arbitrary)
UNASKED_MS = const(20)
STILL_MS = const(250)  # half a swing of a heavy arm, which stands at its ends as well (arbitrary)
REST_MS = const(3000)
PATTERN_READS = const(90)
COLUMNS = (
    ("t", "us", "I"),
    ("leg", "1", "B"),
    ("target", "1", "i"),
    ("count", "1", "i"),
    ("traced", "1", "i"),
    ("late", "us", "H"),
    ("demand", "1", "h"),
    ("passes", "1", "H"),
)


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


def rest(guard, motor, phases, enable, off):
    """Events `import`, `off`, `stop`: the live pins of the motor after each. Nothing is switched on; the sensor is read."""
    frames.event("import", pins.live(phases, enable, off))
    guard.drive.off(motor)
    frames.event("off", pins.live(phases, enable, off))
    stop = getattr(guard.drive, "stop", None)
    if stop is not None:
        stop(motor)
        frames.event("stop", pins.live(phases, enable, off))
    guard.angle(motor)


def pattern(guard, motor, phases, enable, off, angles, amplitude, ramp_ms, duties, blocks):
    """Fields of one amplitude at each of `angles`, then three duties, then off.

    Events `field` (angle, enabled, a, b, c), `blocks` of them each: whether the enable pin is not at off, and of what
    share of time the phases are high; `duties` (enabled, a, b, c) as many; `off` (what off took, live pins).
    """
    drive = guard.drive
    before = angles[0]
    for at, angle in enumerate(angles):
        for step in range(1, ramp_ms // 5 + 1):  # turned there slowly, the first one let grow
            part = step * 5 * 1024 // ramp_ms
            if at:
                drive.field(motor, before + ((angle - before) * part >> 10) & 65535, amplitude)
            else:
                drive.field(motor, angle, amplitude * part >> 10)
            guard.angle(motor)
            guard.listen()
            time.sleep_ms(5)
        before = angle
        drive.field(motor, angle & 65535, amplitude)
        for _ in range(blocks):
            frames.event("field", [angle] + _driven(guard, motor, phases, enable, off))
    if duties and hasattr(drive, "duties"):
        drive.duties(motor, duties[0], duties[1], duties[2])
        for _ in range(blocks):
            frames.event("duties", _driven(guard, motor, phases, enable, off))
    frames.event("off", _timed(drive.off, motor, phases, enable, off))


def _driven(guard, motor, phases, enable, off):
    guard.angle(motor)
    guard.listen()
    enabled = Pin(enable).value() != off
    return [int(enabled)] + pins.shares(phases, guard.drive.declare(motor)["carrier_hz"], PATTERN_READS)


def _timed(act, motor, phases, enable, off):
    """[what it took, live pins after it]."""
    begun = time.ticks_us()
    act(motor)
    return [time.ticks_diff(time.ticks_us(), begun), pins.live(phases, enable, off)]


class _Loop:
    """The loop of one motor, by the firmware's own timing or called from here, with its trace beside our readings."""

    def __init__(self, guard, motor):
        self.guard, self.motor, self.drive = guard, motor, guard.drive
        declared = self.drive.declare(motor)
        self.own = declared["pace"] == "own"
        self.period_us = declared["loop_period_us"]
        self.turn = guard.turn[motor]
        self.hook = _Hook()
        self.traced = hasattr(self.drive, "trace")
        self.started = time.ticks_us()

    def away(self, count, first):
        """Counts from `first`, the short way."""
        half = self.turn >> 1
        return (count - first + half) % self.turn - half

    def go(self):
        """Close it."""
        if self.own:
            self.drive.start(self.motor)

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
            self.drive.control_step(self.motor)
        left = max(1000, self.period_us) - time.ticks_diff(time.ticks_us(), begun)
        if left > 0:
            time.sleep_us(left)


def loop(guard, motor, phases, enable, off, step, far, hold_ms):
    """Close the loop where the shaft stands, and move its set point `step` counts up, back, down and back.

    Rows in stream `loop`, one a millisecond: leg 0 before it is closed (while a hook waits), 1 from its start with the
    set point left at another place before, 2 to 5 the four moves. If the shaft goes more than `far` counts away it is
    let go: event `ran` (leg, counts). Events `hook` (whether there is a trace), `stop` and `off` (what it took, live
    pins, live pins later, passes after it), `brake` (enabled, a, b, c).
    """
    work = _Loop(guard, motor)
    drive, hook = guard.drive, work.hook
    stream = frames.Stream("loop", COLUMNS)
    frames.event("hook", work.traced)
    first = _rested(work, step)
    if work.traced:
        drive.trace(motor, hook.put)
    try:
        for _ in range(UNASKED_MS):
            guard.listen()
            time.sleep_ms(1)
            _row(work, stream, 0, first, 0)
        legs = ((0, hold_ms), (step, hold_ms), (0, hold_ms), (-step, hold_ms), (0, hold_ms))
        drive.set_point(motor, (first + step) % work.turn)
        work.go()
        if not work.own:
            drive.set_point(motor, first)  # called firmware has no start that would take the reading
        for number, (goal, lasting_ms) in enumerate(legs):
            if number:
                drive.set_point(motor, (first + goal) % work.turn)
            for _ in range(lasting_ms):
                work.pause()
                away = _row(work, stream, number + 1, first, goal)
                if away > far or away < -far:
                    work.end()
                    frames.event("ran", [number + 1, away])
                    return
        _ended(work, "stop" if work.own else "off", work.end, first, step, phases, enable, off)
        if work.own:
            work.go()
            for _ in range(LATER_MS):
                work.pause()
                guard.angle(motor)
            _ended(work, "off", None, first, step, phases, enable, off)
        if hasattr(drive, "brake"):
            drive.brake(motor)
            frames.event("brake", _driven(guard, motor, phases, enable, off))
    finally:
        if work.traced:
            drive.trace(motor, None)
        guard.off()


def _rested(work, step):
    """The count at which the shaft rests; one that swings for longer than REST_MS is taken where it is."""
    guard, motor = work.guard, work.motor
    begun = time.ticks_ms()
    since, first = begun, guard.angle(motor)[0]
    count = first
    while time.ticks_diff(time.ticks_ms(), begun) < REST_MS:
        guard.listen()
        time.sleep_ms(4)
        count = guard.angle(motor)[0]
        if abs(work.away(count, first)) > max(2, step // 8):
            since, first = time.ticks_ms(), count
        elif time.ticks_diff(time.ticks_ms(), since) > STILL_MS:
            break
    return count


def _row(work, stream, leg, first, goal):
    """A reading beside the last pass; counts are from the first reading."""
    count = work.guard.angle(work.motor)[0]
    hook = work.hook
    away = work.away(count, first)
    late = min(65535, max(0, time.ticks_diff(time.ticks_us(), hook.ticks))) if hook.passes else 65535
    at = time.ticks_diff(time.ticks_us(), work.started)
    stream.row(at, leg, goal, away, work.away(hook.count, first), late, hook.demand, hook.passes & 65535)
    return away


def _ended(work, name, act, first, step, phases, enable, off):
    """Open the loop, and see whether it stays open: another set point, time for some dozens of passes."""
    begun = time.ticks_us()
    if act is None:
        work.drive.off(work.motor)
    else:
        act()
    took = time.ticks_diff(time.ticks_us(), begun)
    live = pins.live(phases, enable, off)
    passes = work.hook.passes
    work.drive.set_point(work.motor, (first + step) % work.turn)
    for _ in range(LATER_MS):
        work.guard.listen()
        time.sleep_ms(1)
    later = pins.live(phases, enable, off)
    frames.event(name, [took, live, later, work.hook.passes - passes])


def silence(guard, motor, phases, enable, off, most_ms):
    """The deadman under a busy loop that nobody feeds: event `silence` (ms until the phases were off, live pins)."""
    work = _Loop(guard, motor)
    work.go()
    guard.feed()
    begun = time.ticks_ms()
    while not guard.reason and time.ticks_diff(time.ticks_ms(), begun) < most_ms:
        if not work.own:
            guard.drive.control_step(motor)
        time.sleep_us(1000)
    taken = time.ticks_diff(time.ticks_ms(), begun)
    if not work.own:
        guard.off()  # as every script ends: what is called here has no timer to end, but may be amid a pass
    for _ in range(LATER_MS):
        time.sleep_ms(1)
    frames.event("silence", [taken, bool(guard.reason), pins.live(phases, enable, off)])


def fail(guard, motor):
    """An exception of the script amid a busy loop."""
    work = _Loop(guard, motor)
    work.go()
    for _ in range(LATER_MS):
        work.pause()
        guard.angle(motor)
    raise RuntimeError("as asked")


def busy(guard, motor):
    """A loop until the host interrupts it; event `busy` when it runs."""
    work = _Loop(guard, motor)
    work.go()
    work.pause()
    frames.event("busy", 0)
    while True:
        work.pause()
        guard.angle(motor)
