"""The loop told to start, move and end, beside its trace. What ends one amid its work is in conduct_ends.py.

Pins, units and events as in conduct.py. The guard supervises every reading, as elsewhere; there is none while a shaft
is drawn aside, for the tenth of a second in which nothing may read it.
"""

import time

import frames
import pins
from conduct import HELD_MS, TURNED, driven, timed
from micropython import const
from traced_loop import TracedLoop

LATER_MS = const(60)  # some dozens of passes of the usual loop: what switches on again has done so (arbitrary)
UNASKED_MS = const(20)
SETTLED_MS = const(100)
COLUMNS = (
    ("t", "us", "I"),
    ("leg", "1", "B"),
    ("target", "1", "i"),
    ("count", "1", "i"),
    ("traced", "1", "i"),
    ("late", "us", "H"),
    ("demand", "1", "i"),
    ("passes", "1", "H"),
)
AGAIN = (("t", "us", "I"), ("count", "1", "i"))


def loop(guard, motor, phases, enable, off, step, far, rows, aside, amplitude):
    """Close the loop where the shaft stands, and move its set point `step` counts up, back, down and back.

    `rows` a leg in stream `loop`, one a millisecond or, of a loop that is called, a pass: leg 0 before it is closed
    (while a hook waits), 1 from its start with the set point left at another place before, 2 to 5 the four moves. If
    the shaft goes more than `far` counts away it is let go: event `ran` (leg, counts). Events `hook` (whether there is
    a trace), `stop` and `off` (what it took, live pins, live pins later, passes after it), `brake` (enabled, a, b, c).
    A loop that starts by itself is started once more, where a field of `amplitude` has drawn the shaft `aside` counts,
    unless 0, which nothing has read meanwhile: rows in stream `again`, event `ran_again` (counts) if it is let go.
    """
    work = TracedLoop(guard, motor)
    drive, hook = guard.drive, work.hook
    stream = frames.Stream("loop", COLUMNS)
    frames.event("hook", work.traced)
    first = work.rested(step)
    if work.traced:
        drive.trace(motor, hook.put)
    try:
        for _ in range(UNASKED_MS):
            guard.listen()
            time.sleep_ms(1)
            _row(work, stream, 0, first, 0)
        legs = (0, step, 0, -step, 0)
        drive.set_point(motor, (first + step) % work.turn)
        work.go()
        if not work.own:
            drive.set_point(motor, first)  # called firmware has no start that would take the reading
        for number, goal in enumerate(legs):
            if number:
                drive.set_point(motor, (first + goal) % work.turn)
            if number == 1:
                work.judge()
            for _ in range(rows):
                work.pause()
                away = _row(work, stream, number + 1, first, goal)
                if away > far or away < -far:
                    work.end()
                    frames.event("ran", [number + 1, away])
                    return
        _ended(work, "stop" if work.own else "off", first, step, phases, enable, off)
        if work.own:
            if aside:
                _aside(work, aside, amplitude)
            if not _again(work, first, far, max(rows, LATER_MS)):
                return
            _ended(work, "off", first, step, phases, enable, off)
        if hasattr(drive, "brake"):
            drive.brake(motor)
            frames.event("brake", driven(guard, motor, phases, enable, off, pins.READS))
    finally:
        guard.off()
        if work.traced:
            drive.trace(motor, None)


def _aside(work, away, amplitude):
    """Draw the shaft `away` counts from where it stands, by a field that turns slowly, and read nothing meanwhile."""
    drive, motor = work.drive, work.motor
    declared = drive.declare(motor)
    poles = declared["direction"] * declared["pole_pairs"]
    first = (work.guard.angle(motor)[0] - declared["offset_count"]) * poles * 65536 // work.turn
    turned = away * poles * 65536 // work.turn
    steps = 1 + abs(turned) // TURNED
    for number in range(1, steps + 1 + SETTLED_MS // HELD_MS):
        drive.field(motor, (first + turned * min(number, steps) // steps) & 65535, amplitude)
        work.guard.listen()
        time.sleep_ms(HELD_MS)
    drive.off(motor)


def _again(work, first, far, rows):
    """Whether it stays within `far` counts."""
    work.go()
    stream = frames.Stream("again", AGAIN)
    for _ in range(rows):
        away = work.away(work.guard.angle(work.motor)[0], first)
        stream.row(time.ticks_diff(time.ticks_us(), work.started), away)
        if away > far or away < -far:
            work.end()
            frames.event("ran_again", away)
            return False
        work.pause()
    return True


def _row(work, stream, leg, first, goal):
    """A reading beside the last pass; counts are from the first reading."""
    count = work.guard.angle(work.motor)[0]
    hook = work.hook
    away = work.away(count, first)
    late = min(65535, max(0, time.ticks_diff(time.ticks_us(), hook.ticks))) if hook.passes else 65535
    at = time.ticks_diff(time.ticks_us(), work.started)
    stream.row(at, leg, goal, away, work.away(hook.count, first), late, hook.demand, hook.passes & 65535)
    return away


def _ended(work, name, first, step, phases, enable, off):
    """Open the loop by `stop` or `off`, and see whether it stays open: another set point, time for dozens of passes."""
    took, live = timed(getattr(work.drive, name), work.motor, phases, enable, off)
    passes = work.hook.passes
    work.drive.set_point(work.motor, (first + step) % work.turn)
    for _ in range(LATER_MS):
        work.guard.listen()
        time.sleep_ms(1)
    later = pins.live(phases, enable, off)
    frames.event(name, [took, live, later, work.hook.passes - passes])
