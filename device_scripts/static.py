"""Service: hold three phase duties that stand still, for minutes, while the host reads its instruments.

No pins of its own. Duties in 1/65535, times in ms, temperature in 1/100 degC. Orders, one a line of at most
60 bytes, numbers in decimal:
  d A B C TIME   the duties from where they are to these along a straight line of TIME ms; event `done`
  t              event `temperature`: what the firmware's driver_temperature() says, None if it has none
  o              phases off; event `done`
  q              phases off, end
An empty line says that the host is there. Nothing moves here and the current is known, so that the host may
be silent for longer than elsewhere: `silence_ms`, which the guard bounds.
"""

import time

import frames
from micropython import const

STEP_MS = const(10)


def _ramp(guard, motor, now, target, ramp_ms):
    """Straight from the duties `now` to `target`; the shaft is watched on the way."""
    steps = max(1, ramp_ms // STEP_MS)
    for step in range(1, steps + 1):
        values = [begin + (end - begin) * step // steps for begin, end in zip(now, target)]
        guard.drive.duties(motor, values[0], values[1], values[2])
        guard.angle(motor)
        if step < steps:
            time.sleep_ms(STEP_MS)


def hold(guard, motor, silence_ms=10000):
    """Carry out orders for `motor` until `q`."""
    drive = guard.drive
    off = (32768, 32768, 32768)
    now = off
    guard.allow_silence(silence_ms)
    try:
        while True:
            line = guard.listen(silence_ms)
            if line is None:
                continue
            words = line.split()
            what = words[0] if words else b""
            if what == b"d":
                target = (int(words[1]), int(words[2]), int(words[3]))
                _ramp(guard, motor, now, target, int(words[4]))
                now = target
                frames.event("done", 0)
            elif what == b"t":
                read = getattr(drive, "driver_temperature", None)
                frames.event("temperature", None if read is None else read())
            elif what == b"o":
                guard.release(motor)
                now = off
                frames.event("done", 0)
            elif what == b"q":
                return
            elif now is not off:
                guard.angle(motor)
    finally:
        guard.close()
