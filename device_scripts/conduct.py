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

PATTERN_READS = const(90)


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
                drive.field(motor, angle & 65535, amplitude * part >> 10)
            guard.angle(motor)
            guard.listen()
            time.sleep_ms(5)
        before = angle
        drive.field(motor, angle & 65535, amplitude)
        for _ in range(blocks):
            frames.event("field", [angle] + driven(guard, motor, phases, enable, off))
    if duties and hasattr(drive, "duties"):
        drive.duties(motor, duties[0], duties[1], duties[2])
        for _ in range(blocks):
            frames.event("duties", driven(guard, motor, phases, enable, off))
    frames.event("off", timed(drive.off, motor, phases, enable, off))


def driven(guard, motor, phases, enable, off):
    """[whether the enable pin is not at off, shares of time in which the phases are high]."""
    guard.angle(motor)
    guard.listen()
    enabled = Pin(enable).value() != off
    return [int(enabled)] + pins.shares(phases, guard.drive.declare(motor)["carrier_hz"], PATTERN_READS)


def timed(act, motor, phases, enable, off):
    """[what it took, live pins after it]."""
    begun = time.ticks_us()
    act(motor)
    return [time.ticks_diff(time.ticks_us(), begun), pins.live(phases, enable, off)]
