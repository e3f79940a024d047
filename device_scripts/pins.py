"""Levels of the pins that drive a bridge: read, never set.

Pins are numbers of the rig file: three phase pins a motor and an enable pin, whose level is `off` where its bridge is
off. A pin under a pulse-width unit reads high for its share of the time, so it is read often, at instants spread evenly
over the period of the carrier. Shares in 1/10000. `Pin(n)` without a mode leaves a pin as it is.
"""

import time

from machine import Pin
from micropython import const

READS = const(80)  # a pin that is high for 4 % of the time is missed once in 25 times, were they by chance (arbitrary)
WHOLE = const(10000)
UNEVEN = const(65)
WITHIN_US = const(73)  # both by trying: from 4 to 64 kHz a pin that is high for a tenth is missed once in 25 at most
TURN = const(1618)  # of a carrier's period, in 1/1000, from one reading to the next: by the golden section no two meet


def shares(pins, carrier_hz=20000, reads=READS, number=0, uneven=0):
    """Of the readings of each pin, those at which it was high; `number` of several, each begun elsewhere in a period.

    A program that waits by whole periods would begin all of them alike, and their errors would be one and the same.
    `uneven`: readings not at one pace, which a carrier that is not known might keep step with.
    """
    lines = [Pin(pin) for pin in pins]
    high = [0] * len(lines)
    step_ns = 1000000000 // carrier_hz * TURN // 1000
    while step_ns < 60000:  # by whole periods to a pace that a slow board can hold
        step_ns += 1000000000 // carrier_hz
    begun = time.ticks_add(time.ticks_us(), number * (1000 * TURN - 1000000) // carrier_hz)
    for turn in range(reads):
        due = turn * step_ns // 1000 + turn * (reads - 1 - turn) * uneven % WITHIN_US
        left = due - time.ticks_diff(time.ticks_us(), begun)
        if left > 0:
            time.sleep_us(left)
        for place, line in enumerate(lines):
            high[place] += line.value()
    return [count * WHOLE // reads for count in high]


def live(phases, enable, off, reads=READS):
    """Those of one motor's pins that are not as off leaves them: its enable pin, phase pins that are ever high."""
    found = [] if Pin(enable).value() == off else [enable]
    highs = shares(phases, reads=reads, uneven=UNEVEN)  # what was left running has a carrier of its own
    if not found and Pin(enable).value() != off:
        found = [enable]
    return found + [pin for pin, high in zip(phases, highs) if high]
