"""Phases off, whatever happens: deadman, limits of travel and speed, and the host's line of orders.

Pins (numbers of the rig file): three phase pins a motor, driven low when off; one enable pin a motor, at its
own level when off. Units: counts of the angle sensor, microseconds, milliseconds. Motors count from 0.
A Guard is made once; a service calls `angle` all the while a motor is energised (but see conduct_loop.py), closes the
firmware's loop by `start` and ends it by `release`. Printed at the end: what the firmware did against its contract, a
traceback or `Stop: (...)`; `Away: (ms,)` where the main program had not come back to its host.
"""

import sys
import time

import frames
import import_anew
import micropython
from loop_passes import Passes
from machine import Pin, Timer
from micropython import const
from travel_limits import Limits

LONGEST_SILENCE_MS = const(10000)  # arbitrary: a winding at a current that it bears warms by some kelvins meanwhile
BAD_READINGS = const(20)  # in a row: more than a disturbance on the bus (arbitrary)
CALL_MS = const(100)  # that start, stop and off may take, as the contract says
AWAY_MS = const(1000)  # without a look for the host: longer than anything here takes (arbitrary)
SILENCE = ("deadman",)  # made once: a timer must not allocate
if hasattr(micropython, "alloc_emergency_exception_buf"):
    micropython.alloc_emergency_exception_buf(100)  # or what raises in a hard interrupt does not say where


class Stop(Exception):
    """Over a limit, or the host fell silent; phases are off. Its argument: (limit, motor, numbers ...) or SILENCE."""


class Guard:
    """Everything that is to be switched off, and the reasons to do it.

    drive: name of the firmware's module. The others are tuples, an entry a motor: pins (a, b, c); enables, and
    enable_off, the level at which the bridge is off; hang, the count at which the arm hangs, and travel, the counts
    allowed either way from there; speed, the counts allowed in 100 ms. None in the last three: not supervised.
    """

    def __init__(self, drive, pins, enables, deadman_ms, hang, travel, speed, enable_off):
        import_anew.forget(drive, __name__)  # the pins below are no longer its PWM's: it has to set them up again
        self._enables = [Pin(pin, Pin.OUT, value=level) for pin, level in zip(enables, enable_off)]
        self._phases = [Pin(pin, Pin.OUT, value=0) for three in pins for pin in three]
        self._enable_off, self._deadman_ms = enable_off, deadman_ms
        self.given = {"pins": pins, "enables": enables, "enable_off": enable_off, "deadman_ms": deadman_ms}
        __import__(drive)
        self.drive = sys.modules[drive]  # of a dotted name the import gives the package
        stop = getattr(self.drive, "stop", None)  # firmware that is called has no loop of its own
        self._ends = (self.drive.off,) if stop is None else (stop, self.drive.off)
        self.turn = [self.drive.declare(motor)["counts_per_turn"] for motor in range(len(enables))]
        self.limits = Limits(self.turn, hang, travel, speed)
        self._bad = [0] * len(enables)
        self._raised = None
        self._slow_ms = [0] * len(enables)
        self._away_ms = self._silent_ms = 0
        self._ending = False
        self.passes = Passes(self)
        self.reason = ()  # type: tuple
        self._looked_ms = time.ticks_ms()
        self._listening = False
        self._inbox = frames.Inbox(72)
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
        self._away_ms = 0 if self._listening else time.ticks_diff(time.ticks_ms(), self._looked_ms)
        self.reason = SILENCE
        begun = time.ticks_ms()
        self._pins_off()  # at once; what the firmware does next cannot keep it
        self.off()
        self._silent_ms = time.ticks_diff(time.ticks_ms(), begun)

    def _pins_off(self):
        for motor in range(len(self._enables)):
            self._enables[motor].init(Pin.OUT, value=self._enable_off[motor])
        for pin in self._phases:
            pin.init(Pin.OUT, value=0)

    def off(self):
        """All motors off: first through the firmware, or its loop would switch on again, then the pins themselves.

        Called by the deadman's timer as well: allocates nothing. Firmware that is in it still is not asked again.
        """
        try:
            for motor in range(0 if self._ending else len(self._enables)):
                self._end(motor)
        finally:  # an interrupt amid an off must not keep the pins
            self._pins_off()

    def _end(self, motor):
        self._ending = True
        try:
            for end in self._ends:
                begun = time.ticks_ms()
                try:
                    end(motor)
                except Exception as error:
                    self._raised = error  # neither the rest nor the pins below depend on it
                self._slow_ms[motor] = max(self._slow_ms[motor], time.ticks_diff(time.ticks_ms(), begun))
        finally:
            self._ending = False

    def _took_ms(self, act, motor):
        begun = time.ticks_ms()
        act(motor)
        return time.ticks_diff(time.ticks_ms(), begun)

    def start(self, motor, watch=True):
        """Close the firmware's loop; `watch`: whether it makes passes is counted here, by the trace hook."""
        self._silent_ms = 0
        self._in_time(motor, "start_time", self._took_ms(self.drive.start, motor) - self._silent_ms)
        if watch:
            self.passes.watch(motor)

    def release(self, motor, loop=False):
        """End the firmware's `loop`, if it has one of its own, and switch the motor off, as the firmware does it."""
        self.passes.leave()
        self._ending = True
        try:
            longest_ms = max([self._took_ms(end, motor) for end in (self._ends if loop else self._ends[-1:])])
        finally:
            self._ending = False
        self._in_time(motor, "off_time", longest_ms)

    def _in_time(self, motor, limit, took_ms):
        if took_ms > CALL_MS:
            self._slow_ms[motor] = 0
            self.stop(motor, limit, took_ms, CALL_MS)

    def close(self):
        """Off, and no more deadman; then what the firmware did against its contract, and has not been said."""
        away_ms = 0 if self._listening else time.ticks_diff(time.ticks_ms(), self._looked_ms)
        self.off()
        self._deadman.deinit()
        raised, self._raised = self._raised, None
        if raised is not None:
            sys.print_exception(raised)
        for motor in range(len(self._slow_ms)):
            if self._slow_ms[motor] > CALL_MS:
                print("Stop: %r" % (("off_time", motor, self._slow_ms[motor], CALL_MS),))
                self._slow_ms[motor] = 0
        if away_ms >= AWAY_MS:
            print("Away: %r" % ((away_ms,),))

    def go_on(self):
        """Raise Stop where something has stopped the motors meanwhile."""
        if self.reason:
            away = self.reason is SILENCE and self._away_ms
            raise Stop(self.reason + (away,) if away else self.reason)

    def listen(self, wait_ms=0):
        """The host's next line, or None; every line, an empty one too, feeds the deadman."""
        self.passes.look()
        self.go_on()
        self._listening = True
        line = self._inbox.line(wait_ms)
        self._listening = False
        self._looked_ms = time.ticks_ms()
        if line is not None:
            self.feed()
        return line

    def angle(self, motor):
        """(count, age in us) of the firmware's reading, checked against the limits."""
        self.passes.look()
        count, valid, age = self.drive.angle(motor)
        if valid:
            self._bad[motor] = 0
            self.check(motor, count, time.ticks_add(time.ticks_us(), -age))
        else:
            self._bad[motor] += 1
            if self._bad[motor] >= BAD_READINGS:
                self.stop(motor, "sensor", BAD_READINGS)
            self.go_on()
        return count, age

    def check(self, motor, count, ticks_us):
        """Stop at the first sample of too much travel or speed; `ticks_us` is when the count was true."""
        self.go_on()
        exceeded = self.limits.exceeded(motor, count, ticks_us)
        if exceeded:
            self.stop(motor, *exceeded)

    def stop(self, motor, limit, *numbers):
        """Phases off because of this motor, and the service ended."""
        self.off()
        self.reason = (limit, motor) + numbers
        raise Stop(self.reason)
