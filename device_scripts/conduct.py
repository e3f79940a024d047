"""What the drive does when it is told: off and stop, fields and duties. Its loop is in conduct_loop.py.

Pins by number, as in pins.py: `phases`, `enable` and its level `off` of the motor. Counts of the angle sensor,
microseconds, milliseconds, amplitudes in 1/32768, duties in 1/65535, electrical angles in 1/65536 turn, shares of time
in 1/10000. Events carry what was found; the host decides. The guard supervises every reading, as elsewhere.
"""

import time

import frames
import pins
from machine import Pin
from micropython import const

HELD_MS = const(5)
FALL_MS = const(400)  # half a swing of a heavy arm (arbitrary)
TURNED = const(910)  # 5 degrees of the field in HELD_MS (arbitrary: a shaft follows)


def rest(guard, motor, phases, enable, off):
    """Events `import`, `off`, `stop`: the live pins after each. Nothing is switched on; the sensor is read."""
    frames.event("import", pins.live(phases, enable, off))
    guard.drive.off(motor)
    frames.event("off", pins.live(phases, enable, off))
    stop = getattr(guard.drive, "stop", None)
    if stop is not None:
        stop(motor)
        frames.event("stop", pins.live(phases, enable, off))
    guard.angle(motor)


def pattern(guard, motor, phases, enable, off, first, fields, ramp_ms, fall, duties, blocks, reads):
    """`fields` (angle, amplitude), turned there slowly from the angle `first`; then three duties, then off.

    Events `field` (angle, amplitude, enabled, a, b, c): whether the enable pin is not at off, and of what share of time
    the phases are high, by `reads` readings; `off` (time, live pins); with an angle `fall`, to which the field was
    turned before, and nothing live, `fell` (counts: where it held the shaft, how far that went in FALL_MS); `duties`
    (enabled, a, b, c), `blocks` of them, and `off` once more.
    """
    drive = guard.drive
    steps = ramp_ms // HELD_MS
    for step in range(1, steps + 1):  # one that comes at once lets the shaft jump
        _held(guard, motor, first, fields[0][1] * step // steps)
    at = first
    for number, (angle, amplitude) in enumerate(fields):
        at = _turned(guard, motor, at, angle, amplitude)
        frames.event("field", [angle, amplitude] + driven(guard, motor, phases, enable, off, reads, number))
    if fall is not None:
        _turned(guard, motor, at, fall, fields[-1][1])
    held = guard.angle(motor)[0]
    found = timed(drive.off, motor, phases, enable, off)  # or the field would have enabled the bridge already
    frames.event("off", found)
    if fall is not None and not found[1]:
        frames.event("fell", [held, _farthest(guard, motor, held)])
    if duties and hasattr(drive, "duties"):
        drive.duties(motor, duties[0], duties[1], duties[2])
        for number in range(blocks):
            frames.event("duties", driven(guard, motor, phases, enable, off, reads, number))
        frames.event("off", timed(drive.off, motor, phases, enable, off))


def _turned(guard, motor, at, angle, amplitude):
    while at != angle:
        at += max(-TURNED, min(TURNED, angle - at))
        _held(guard, motor, at, amplitude)
    return at


def _farthest(guard, motor, held):
    """Of the readings in FALL_MS the one that is farthest from where the shaft was held: an arm may swing back."""
    turn = guard.turn[motor]
    farthest = 0
    for _ in range(FALL_MS // HELD_MS):
        guard.listen()
        time.sleep_ms(HELD_MS)
        away = (guard.angle(motor)[0] - held + turn // 2) % turn - turn // 2
        if abs(away) > abs(farthest):
            farthest = away
    return farthest


def _held(guard, motor, angle, amplitude):
    guard.drive.field(motor, angle & 65535, amplitude)
    guard.angle(motor)
    guard.listen()
    time.sleep_ms(HELD_MS)


def driven(guard, motor, phases, enable, off, reads, number=0):
    """[whether the enable pin is not at off, shares of time in which the phases are high]."""
    guard.angle(motor)
    guard.listen()
    enabled = Pin(enable).value() != off
    return [int(enabled)] + pins.shares(phases, guard.drive.declare(motor)["carrier_hz"], reads, number)


def timed(act, motor, phases, enable, off):
    """[what it took, live pins after it]."""
    begun = time.ticks_us()
    act(motor)
    return [time.ticks_diff(time.ticks_us(), begun), pins.live(phases, enable, off)]
