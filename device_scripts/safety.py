"""Phases off, whatever happens: deadman, limits of travel and speed, and the host's line of orders.

Pins (numbers of the rig file): three phase pins a motor, driven low when off; one enable pin a motor,
low when off. Units: counts of the angle sensor, microseconds, milliseconds. Motors count from 0.
A Guard is made once, before anything moves; every sample of a service goes through `angle`.
"""

import sys
import time

import frames
from machine import Pin, Timer
from micropython import const

LONGEST_SILENCE_MS = const(10000)  # arbitrary: a winding at a current that it bears warms by some kelvins meanwhile


class Stop(Exception):
    """The board under test went over a limit, or the host fell silent; the phases are off already."""


class Guard:
    """Everything that is to be switched off, and the reasons to do it.

    drive: name of the firmware's module. pins: ((a, b, c), ...), enables: (pin, ...), a motor each.
    hang: count at which each motor's arm hangs, travel: counts allowed either way from there; None where
    nothing limits it. speed: counts a millisecond allowed; None: not supervised.
    """

    def __init__(self, drive, pins, enables, deadman_ms, hang, travel, speed, enable_off=0):
        if drive in sys.modules:
            del sys.modules[drive]  # the pins below are no longer its PWM's: it has to set them up again
        self._enables = [Pin(pin, Pin.OUT, value=enable_off) for pin in enables]
        self._phases = [Pin(pin, Pin.OUT, value=0) for three in pins for pin in three]
        self._enable_off = enable_off
        self.drive = __import__(drive)
        self.turn = [self.drive.declare(motor)["counts_per_turn"] for motor in range(len(enables))]
        self._hang = hang
        self._travel = travel
        self._speed = speed
        self._count = [None] * len(enables)
        self._ticks = [0] * len(enables)
        self._bad = [0] * len(enables)
        self.reason = ""
        self._inbox = frames.Inbox(64)
        self._deadman_ms = deadman_ms
        self._silent = self._fell_silent  # bound once: a timer must not allocate
        self._deadman = Timer(-1)
        self.feed()

    def feed(self):
        """The host is there."""
        self._deadman.init(mode=Timer.ONE_SHOT, period=self._deadman_ms, callback=self._silent)

    def allow_silence(self, ms):
        """Let the host be silent for longer: for duties that stand still, at a current that is known."""
        self._deadman_ms = max(self._deadman_ms, min(ms, LONGEST_SILENCE_MS))
        self.feed()

    def _fell_silent(self, _timer):
        self.reason = "deadman: the host was silent"
        self._pins_off()

    def _pins_off(self):
        off = self._enable_off
        for pin in self._enables:
            pin.init(Pin.OUT, value=off)
        for pin in self._phases:
            pin.init(Pin.OUT, value=0)

    def off(self):
        """All motors off: first through the firmware, so that its loop ends, then the pins themselves."""
        for motor in range(len(self._enables)):
            try:
                self.drive.off(motor)
            except Exception:
                pass  # the pins below do not depend on the firmware
        self._pins_off()

    def close(self):
        """Off, and no more deadman."""
        self.off()
        self._deadman.deinit()

    def listen(self, wait_ms=0):
        """The host's next line, or None; every line, an empty one too, feeds the deadman."""
        if self.reason:
            raise Stop(self.reason)
        line = self._inbox.line(wait_ms)
        if line is not None:
            self.feed()
        return line

    def angle(self, motor):
        """(count, age in us) of the firmware's reading, checked against the limits."""
        count, valid, age = self.drive.angle(motor)
        if valid:
            self._bad[motor] = 0
            self.check(motor, count, time.ticks_us())
        else:
            self._bad[motor] += 1
            if self._bad[motor] > 20:  # arbitrary: more than a disturbance on the bus
                self._stop(motor, "sensor: 20 readings in a row not valid")
        return count, age

    def check(self, motor, count, ticks_us):
        """Stop at the first sample of too much travel or speed; `ticks_us` is when the count was true."""
        if self.reason:
            raise Stop(self.reason)
        words = self._beyond(motor, count, ticks_us)
        if words:
            self._stop(motor, words)

    def _beyond(self, motor, count, ticks_us):
        """The limit that a reading is beyond, in words; "" if none, or if it came too soon to tell a speed."""
        turn = self.turn[motor]
        half = turn >> 1
        if self._travel is not None and self._hang[motor] is not None:
            away = (count - self._hang[motor] + half) % turn - half
            if away > self._travel or away < -self._travel:
                return "travel: %d counts from hanging, limit %d" % (away, self._travel)
        before = self._count[motor]
        elapsed = time.ticks_diff(ticks_us, self._ticks[motor])
        if before is not None and 0 <= elapsed < 900:
            return ""  # too short for a speed: noise of one count would be one
        self._count[motor] = count
        self._ticks[motor] = ticks_us
        if self._speed is not None and before is not None and elapsed < 100000:
            moved = (count - before + half) % turn - half
            if abs(moved) * 1000 > (self._speed + 1) * elapsed:
                return "speed: %d counts in %d us, limit %d a ms" % (moved, elapsed, self._speed)
        return ""

    def _stop(self, motor, words):
        self.off()
        self.reason = "motor %d: %s" % (motor, words)
        raise Stop(self.reason)
