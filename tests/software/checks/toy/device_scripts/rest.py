"""Read a motor at rest, phases off. Counts of the angle sensor, microseconds."""

import time

import frames


def read(guard, motor, readings=64):
    """`readings` rows of stream `rest`, 5 ms apart."""
    stream = frames.Stream("rest", (("t", "us", "I"), ("count", "1", "H")))
    try:
        for _ in range(readings):
            guard.listen()
            stream.row(time.ticks_us(), guard.angle(motor)[0])
            time.sleep_ms(5)
    finally:
        guard.close()
