"""Phases off, whatever happens: deadman, limits of travel and speed, and the host's line of orders.

Pins (numbers of the rig file): three phase pins a motor, driven low when off; one enable pin a motor, at its
own level when off. Units: counts of the angle sensor, microseconds, milliseconds. Motors count from 0.
A Guard is made once, before anything moves; a service calls `angle` all the while a motor is energised.
"""

import sys
import time

import frames
from machine import Pin, Timer
from micropython import const

LONGEST_SILENCE_MS = const(10000)  # arbitrary: a winding at a current that it bears warms by some kelvins meanwhile
BAD_READINGS = const(20)  # in a row: more than a disturbance on the bus (arbitrary)
SPEED_BASE = const(16)  # counts at the speed limit between the two readings that tell a speed, for noise (arbitrary)
LEAST_BASE_US = const(900)  # a pass of the usual loop, less its jitter (arbitrary)
LONGEST_BASE_US = const(100000)


SILENCE = ("deadman",)  # made once: a timer must not allocate


class Stop(Exception):
    """The board under test went over a limit, or the host fell silent; the phases are off already.

    Its one argument is what the host reads: a tuple of the limit, the motor and the numbers of both, or SILENCE.
    """


class Guard:
    """Everything that is to be switched off, and the reasons to do it.

    drive: name of the firmware's module. The others are tuples, an entry a motor: pins (a, b, c); enables, and
    enable_off, the level at which the bridge is off; hang, the count at which the arm hangs, and travel, the counts
    allowed either way from there; speed, the counts allowed in 100 ms. None in the last three: not supervised.
    """

    def __init__(self, drive, pins, enables, deadman_ms, hang, travel, speed, enable_off):
        if drive in sys.modules:
            del sys.modules[drive]  # the pins below are no longer its PWM's: it has to set them up again
        self._enables = [Pin(pin, Pin.OUT, value=level) for pin, level in zip(enables, enable_off)]
        self._phases = [Pin(pin, Pin.OUT, value=0) for three in pins for pin in three]
        self._enable_off = enable_off
        self.drive = __import__(drive)
        self._stop_loop = getattr(self.drive, "stop", None)  # firmware that is called has no loop of its own
        self.turn = [self.drive.declare(motor)["counts_per_turn"] for motor in range(len(enables))]
        self._hang = hang
        self._travel = travel
        self._speed = speed
        self._base_us = [
            max(LEAST_BASE_US, min(LONGEST_BASE_US, SPEED_BASE * 100000 // (limit or 1))) for limit in speed
        ]
        self._count = [None] * len(enables)
        self._ticks = [0] * len(enables)
        self._bad = [0] * len(enables)
        self.reason = ()
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
        self.reason = SILENCE
        self._pins_off()  # at once; what the firmware does next cannot keep it
        self.off()

    def _pins_off(self):
        for motor in range(len(self._enables)):
            self._enables[motor].init(Pin.OUT, value=self._enable_off[motor])
        for pin in self._phases:
            pin.init(Pin.OUT, value=0)

    def off(self):
        """All motors off: first through the firmware, or its loop would switch on again, then the pins themselves.

        Called by the deadman's timer as well: allocates nothing.
        """
        for motor in range(len(self._enables)):
            try:
                if self._stop_loop is not None:
                    self._stop_loop(motor)
            except Exception:
                pass  # neither the rest nor the pins below depend on it
            try:
                self.drive.off(motor)
            except Exception:
                pass
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
            self.check(motor, count, time.ticks_add(time.ticks_us(), -age))
        else:
            self._bad[motor] += 1
            if self._bad[motor] >= BAD_READINGS:
                self.stop(motor, "sensor", BAD_READINGS)
            if self.reason:
                raise Stop(self.reason)
        return count, age

    def check(self, motor, count, ticks_us):
        """Stop at the first sample of too much travel or speed; `ticks_us` is when the count was true."""
        if self.reason:
            raise Stop(self.reason)
        beyond = self._beyond(motor, count, ticks_us)
        if beyond:
            self.stop(motor, *beyond)

    def _beyond(self, motor, count, ticks_us):
        """The limit that a reading is beyond, and its numbers; () if none, or if it came too soon to tell a speed."""
        turn = self.turn[motor]
        half = turn >> 1
        travel = self._travel[motor]
        if travel is not None and self._hang[motor] is not None:
            away = (count - self._hang[motor] + half) % turn - half
            if away > travel or away < -travel:
                return ("travel", away, travel)
        before = self._count[motor]
        elapsed = time.ticks_diff(ticks_us, self._ticks[motor])
        if before is not None and -1000000 < elapsed < self._base_us[motor]:
            return ()  # too soon, or a reading as old as the last: noise of one count would be a speed
        self._count[motor] = count
        self._ticks[motor] = ticks_us
        speed = self._speed[motor]
        if speed is not None and before is not None and elapsed > 0:
            moved = (count - before + half) % turn - half  # whole turns apart, it was more: never less
            if (abs(moved) - 1) * 100000 > speed * elapsed:
                return ("speed", moved, elapsed, speed)
        return ()

    def stop(self, motor, limit, *numbers):
        """Phases off because of this motor, and the service ended."""
        self.off()
        self.reason = (limit, motor) + numbers
        raise Stop(self.reason)
