"""Readings of an angle sensor at rest: noise, distinct codes, age.

No pins of its own; phases as they are (off before the first field). Counts of the sensor, microseconds.
"""

import time

import frames


def read(guard, motor, samples=256, period_us=1000):
    """Send `samples` readings of `motor`, one every `period_us`, as stream `standstill`."""
    stream = frames.Stream("standstill", (("t", "us", "I"), ("count", "1", "H"), ("age", "us", "H")))
    try:
        start = time.ticks_us()
        for number in range(samples):
            wait = time.ticks_diff(time.ticks_add(start, number * period_us), time.ticks_us())
            if wait > 0:
                time.sleep_us(wait)
            guard.listen()
            count, age = guard.angle(motor)
            stream.row(time.ticks_diff(time.ticks_us(), start), count, min(age, 65535))
    finally:
        guard.close()
