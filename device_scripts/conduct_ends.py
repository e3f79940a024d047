"""What ends a loop amid its work: a limit, the host's silence, an exception, an interrupt.

Pins, units and events as in conduct.py. The guard supervises every reading, as elsewhere.
"""

import time

import frames
import pins
from micropython import const
from traced_loop import TracedLoop

TRAVEL = ("travel",)
LATER_MS = const(60)  # some dozens of passes of the usual loop: what switches on again has done so (arbitrary)


def limited(guard, motor, phases, enable, off, step, most_ms):
    """The limit of travel under a busy loop: a quarter of `step` counts, which the set point then goes beyond.

    Event `limit` (whether it has stopped the loop, counts from where the shaft stood, live pins).
    """
    work = TracedLoop(guard, motor)
    first = work.rested(step)
    work.go()
    work.drive.set_point(motor, first)
    before = guard.limits.narrow(motor, first, step // 4)
    try:
        work.drive.set_point(motor, (first + step) % work.turn)
        begun = time.ticks_ms()
        while time.ticks_diff(time.ticks_ms(), begun) < most_ms:
            work.pause()
            guard.angle(motor)
    except Exception:
        if guard.reason[:1] != TRAVEL:  # else it is stopped, as it should be
            raise
    finally:
        guard.limits.narrow(motor, before[0], before[1])
    stopped = int(guard.reason[:1] == TRAVEL)
    found = pins.live(phases, enable, off) if stopped else []
    frames.event("limit", [stopped, work.away(guard.drive.angle(motor)[0], first)] + found)


def silence(guard, motor, phases, enable, off, most_ms):
    """The deadman under a busy loop that nobody feeds: event `silence` (ms until the phases were off, live pins)."""
    work = TracedLoop(guard, motor)
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
    time.sleep_ms(LATER_MS)
    frames.event("silence", [taken, pins.live(phases, enable, off)])


def fail(guard, motor):
    """An exception of the script amid a busy loop."""
    work = TracedLoop(guard, motor)
    work.go()
    for _ in range(LATER_MS):
        work.pause()
        guard.angle(motor)
    raise RuntimeError("as asked")


def busy(guard, motor):
    """A loop until the host interrupts it; event `busy` when it runs."""
    work = TracedLoop(guard, motor)
    work.go()
    work.pause()
    frames.event("busy", 0)
    while True:
        work.pause()
        guard.angle(motor)
