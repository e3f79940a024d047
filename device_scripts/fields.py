"""Service: move a field or a set point along smooth ramps and sample the shaft, as the host orders.

No pins of its own. Electrical angles are counted through, in 1/65536 turn, amplitudes in 1/32768, set
points in counts counted through, times in ms. Orders, one a line of at most 60 bytes, numbers in decimal:
  f ANGLE AMPLITUDE TIME EDGE SLIP   the field from where it is to there, in TIME ms, EDGE ms of them speeding
                                     up and as many slowing down; if the shaft moves more than SLIP counts
                                     (0: any): amplitude 0 and event `slip`
  l                                  begin the closed loop where the shaft stands
  p COUNT TIME EDGE                  the set point from where it is to there
  s PERIOD                           a row every PERIOD ms from now on; 0: none
  w TIME                             nothing new for TIME ms
  o                                  phases off
  q                                  phases off, end
An empty line says that the host is there. Event `done` (order number) follows each f, p and w when it is
carried out; rows go on meanwhile. Between grid angles the field alternates so that its mean is right.
"""

import time

import frames
from micropython import const

FINE = const(1024)  # parts of a unit in which a ramp is summed
COLUMNS = (("t", "us", "I"), ("count", "1", "I"), ("age", "us", "H"), ("command", "1", "i"), ("amplitude", "1", "i"))


class _Ramp:
    """A number that moves from one value to another with smooth ends, by sums of integers only."""

    def __init__(self, value):
        self.value = value
        self.left = 0

    def go(self, target, ticks, edge):
        edge = max(1, min(edge, ticks // 2))
        ticks = max(2, ticks)
        self._from, self._to = self.value, target
        self._edge = edge
        self._gain = (target - self.value) * FINE // (ticks - edge)
        self._ticks = ticks
        self._sum = 0
        self.left = ticks

    def step(self):
        if not self.left:
            return
        self.left -= 1
        at = min(self._ticks - 1 - self.left, self.left) * 2 + 1
        edge = self._edge * 2
        if at < edge:  # speed as 3 u^2 - 2 u^3: a step of acceleration would ring
            part = at * FINE // edge
            self._sum += self._gain * (part * part * (3 * FINE - 2 * part) >> 20) >> 10
        else:
            self._sum += self._gain
        self.value = self._from + self._sum // FINE if self.left else self._to


class _Service:
    """One motor, its ramps, and whether a field or the firmware's loop holds it."""

    def __init__(self, guard, motor, sample_ms, size):
        self.guard = guard
        self.motor = motor
        self.stream = frames.Stream("hold", COLUMNS, size)
        said = guard.drive.declare(motor)
        self.steps = said["field_steps"]
        self.called = said["pace"] == "called"
        # Firmware that is called gets its pass from this loop, so that two readings never mix on one bus.
        self.tick_ms = max(1, said["loop_period_us"] // 1000) if self.called else 4
        self.angle = _Ramp(0)
        self.amplitude = _Ramp(0)
        self.point = _Ramp(0)
        self.field_on = self.loop_on = self.moving = False
        self.sample_ms, self.row_in_ms = sample_ms, 0
        self.error = self.sent = self.before = self.before_amplitude = 0
        self.last = -1
        self.slip = self.slip_from = 0
        self.wait = self.orders = 0
        self.started = time.ticks_us()

    def obey(self, line):
        """Carry out an order, or begin to; False at the end."""
        self.orders += 1
        what, *words = line.split()
        values = [int(word) for word in words]
        if what == b"f":
            self.to_field(values)
        elif what == b"l":
            self.off()
            self.point.value = self.guard.angle(self.motor)[0]
            if not self.called:
                self.guard.start(self.motor)
            self.guard.drive.set_point(self.motor, self.point.value)
            self.loop_on = True
        elif what == b"p":
            self.point.go(values[0], values[1] // self.tick_ms, values[2] // self.tick_ms)
            self.moving = True
        elif what == b"w":
            self.wait = values[0] // self.tick_ms
            self.moving = True
        elif what == b"s":
            self.sample_ms, self.row_in_ms = values[0], 0
        elif what == b"o":
            self.off()
        return what != b"q"

    def to_field(self, values):
        if self.loop_on:
            self.off()
        if not self.field_on:
            self.angle.value = values[0]
            self.field_on = True
        ticks, edge = values[2] // self.tick_ms, values[3] // self.tick_ms
        self.angle.go(values[0], ticks, edge)
        self.amplitude.go(values[1], ticks, edge)
        self.slip = values[4]
        self.slip_from = self.guard.angle(self.motor)[0]
        self.moving = True

    def off(self):
        self.guard.release(self.motor, self.loop_on and not self.called)
        self.field_on = self.loop_on = False
        self.amplitude.value = self.amplitude.left = self.angle.left = self.point.left = 0
        self.last = -1

    def move(self):
        """One tick of whatever is on its way."""
        self.wait = max(0, self.wait - 1)
        # A command held for a tick stands, on the mean, half a tick behind: rows carry that mean.
        self.before = self.angle.value if self.field_on else self.point.value
        self.before_amplitude = self.amplitude.value
        if self.field_on:
            self.angle.step()
            self.amplitude.step()
            want = (self.angle.value & 65535) + self.error
            index = (want * self.steps + 32768) >> 16
            self.sent = index * 65536 // self.steps % 65536
            self.error = want - index * 65536 // self.steps if self.angle.left else 0
            key = index % self.steps << 16 | self.amplitude.value
            if key != self.last:
                self.guard.drive.field(self.motor, self.sent, self.amplitude.value)
                self.last = key
        elif self.loop_on:
            if self.point.left:
                self.point.step()
                self.guard.drive.set_point(self.motor, self.point.value % self.guard.turn[self.motor])
            if self.called:
                self.guard.drive.control_step(self.motor)

    def sample(self):
        """Watch the shaft while it is held; a row when it is due; a slip ends the ramp and takes the amplitude away."""
        self.row_in_ms -= self.tick_ms
        due = self.row_in_ms <= 0 and (self.sample_ms or self.slip)
        if due or self.field_on or self.loop_on:
            count, age = self.guard.angle(self.motor)
        if not due:
            return
        self.row_in_ms = self.sample_ms or self.tick_ms
        amplitude = self.amplitude.value
        if self.sample_ms:
            command = (self.before + (self.angle.value if self.field_on else self.point.value)) // 2
            at = time.ticks_diff(time.ticks_us(), self.started)
            self.stream.row(at, count, min(age, 65535), command, (self.before_amplitude + amplitude) // 2)
        if self.slip and self.field_on:
            turn = self.guard.turn[self.motor]
            if abs((count - self.slip_from + (turn >> 1)) % turn - (turn >> 1)) > self.slip:
                self.guard.drive.field(self.motor, self.sent, 0)
                self.amplitude.value = self.amplitude.left = self.angle.left = self.slip = 0
                frames.event("slip", amplitude)

    def finish(self):
        """Say once that a ramp is done."""
        if self.moving and not (self.angle.left or self.amplitude.left or self.point.left or self.wait):
            self.moving = False
            self.slip = 0
            frames.event("done", self.orders)


def serve(guard, motor, sample_ms=10, size=280):
    """Carry out orders for `motor` until `q`; rows in stream `hold`, `size` bytes a frame."""
    service = _Service(guard, motor, sample_ms, size)
    due = time.ticks_us()
    try:
        while True:
            line = guard.listen()
            if line and not service.obey(line):
                break
            service.move()
            service.sample()
            service.finish()
            due = time.ticks_add(due, service.tick_ms * 1000)
            wait = time.ticks_diff(due, time.ticks_us())
            if wait <= 0:
                due = time.ticks_us()
            time.sleep_us(max(0, wait))
    finally:
        guard.close()
