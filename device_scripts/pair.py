"""All motors of a board in their loops, alone in turn and then together, each under its arm's torque.

No pins of its own. Counts of the angle sensor; times in ms. Event `holding` (number of the spell) when a spell's
motors stand; rows of stream `pair` follow while they hold, which they do until the host has said `n`.
"""

import time

import frames
from micropython import const

COLUMNS = (("spell", "1", "B"), ("motor", "1", "B"), ("count", "1", "I"), ("target", "1", "I"))
STEP_MS = const(5)
CREEP = const(200)  # part of a turn: more than twice what friction holds of a motor that is not stuck (arbitrary)
CREEP_MS = const(400)


def hold(guard, targets, ramp_ms=500, rest_ms=100, samples=40):
    """Spells 0, 1, ...: each motor alone; the last: all of them. From where they hang slowly to `targets`, then off."""
    drive = guard.drive
    motors = range(len(targets))
    stream = frames.Stream("pair", COLUMNS)
    said = [drive.declare(motor) for motor in motors]
    spells = [(motor,) for motor in motors] + [tuple(motors)]
    for number, spell in enumerate(spells):
        if number:
            _wait(guard, 800)  # the arms fall back and come to rest
        for motor in spell:
            if said[motor]["pace"] == "own":
                guard.start(motor)
        _rise(guard, spell, said, targets, ramp_ms)
        for _ in range(rest_ms // STEP_MS):
            _pass(guard, spell, said)
            for motor in spell:
                guard.angle(motor)
        frames.event("holding", number)
        left, released = samples, False
        while left or not released:
            released = _pass(guard, spell, said) == b"n" or released
            for motor in spell:
                count, _ = guard.angle(motor)
                if left:
                    stream.row(number, motor, count, targets[motor])
            left = max(0, left - 1)
        stream.flush()
        for motor in spell:
            guard.release(motor, said[motor]["pace"] == "own")
        frames.event("off", number)


def _rise(guard, spell, said, targets, ramp_ms):
    """Move the set points of a spell's motors to `targets`, the short way round: most of it with smooth ends
    (10 u^3 - 15 u^4 + 6 u^5), the last CREEP of a turn evenly and so slowly that no shaft is carried on by its inertia:
    all stop on the same side of what friction can hold.
    """
    ways = []
    for motor in spell:
        turn = said[motor]["counts_per_turn"]
        ways.append((targets[motor] - guard.angle(motor)[0] + (turn >> 1)) % turn - (turn >> 1))
    steps, slow = ramp_ms // STEP_MS, CREEP_MS // STEP_MS
    for step in range(1, steps + slow + 1):
        part = min(1.0, step / steps)
        left = 1.0 - part * part * part * (10.0 - part * (15.0 - 6.0 * part))
        after = min(1.0, (steps + slow - step) / slow)
        for motor, way in zip(spell, ways):
            turn = said[motor]["counts_per_turn"]
            creep = turn // CREEP if way > 0 else -(turn // CREEP)
            goal = targets[motor] - int((way - creep) * left + creep * after)
            guard.drive.set_point(motor, goal % turn)
        _pass(guard, spell, said)
        for motor in spell:
            guard.angle(motor)


def _pass(guard, spell, said):
    """Let STEP_MS go by and return the host's line; firmware that is called gets its passes from here."""
    line = guard.listen()
    called = [motor for motor in spell if said[motor]["pace"] == "called"]
    if not called:
        time.sleep_ms(STEP_MS)
        return line
    for _ in range(STEP_MS):
        for motor in called:
            guard.drive.control_step(motor)
        time.sleep_ms(1)
    return line


def _wait(guard, ms):
    for _ in range(0, ms, 20):
        guard.listen()
        time.sleep_ms(20)
