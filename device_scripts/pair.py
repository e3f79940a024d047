"""All motors of a board in their loops, alone in turn and then together, each under its arm's torque.

No pins of its own. Counts of the angle sensor, counted through from `targets`; times in ms. Event `holding`
(number of the spell) when a spell's motors stand; rows of stream `pair` follow while they hold.
"""

import time

import frames

COLUMNS = (("spell", "1", "B"), ("motor", "1", "B"), ("count", "1", "H"), ("target", "1", "H"))


def hold(guard, starts, targets, ramp_ms=1200, rest_ms=300, samples=60):
    """Spells 0, 1, ...: each motor alone; the last: all of them. From `starts` slowly up to `targets`, then off."""
    drive = guard.drive
    motors = range(len(starts))
    stream = frames.Stream("pair", COLUMNS)
    said = [drive.declare(motor) for motor in motors]
    spells = [(motor,) for motor in motors] + [tuple(motors)]
    for number, spell in enumerate(spells):
        goals = [guard.angle(motor)[0] for motor in motors]
        for motor in spell:
            if said[motor]["pace"] == "own":
                drive.start(motor)
        for phase_ms, away in ((400, starts), (ramp_ms, targets), (rest_ms, targets)):
            goals = _ramp(guard, drive, spell, said, goals, away, phase_ms)
        frames.event("holding", number)
        for _ in range(samples):
            _pass(guard, drive, spell, said, 5)
            for motor in spell:
                stream.row(number, motor, guard.angle(motor)[0], targets[motor])
        stream.flush()
        for motor in spell:
            if said[motor]["pace"] == "own":
                drive.stop(motor)
            drive.off(motor)
        frames.event("off", number)
        _wait(guard, 800)  # the arms fall back and come to rest


def _ramp(guard, drive, spell, said, goals, ends, phase_ms):
    """Move the set points of a spell's motors evenly to `ends`; returns the new goals."""
    steps = max(1, phase_ms // 5)
    for step in range(1, steps + 1):
        for motor in spell:
            goal = goals[motor] + (ends[motor] - goals[motor]) * step // steps
            drive.set_point(motor, goal % said[motor]["counts_per_turn"])
        _pass(guard, drive, spell, said, 5)
        for motor in spell:
            guard.angle(motor)
    return list(ends)


def _pass(guard, drive, spell, said, ms):
    """Let `ms` go by; firmware that is called gets its passes from here."""
    guard.listen()
    for _ in range(ms):
        for motor in spell:
            if said[motor]["pace"] == "called":
                drive.control_step(motor)
        time.sleep_ms(1)


def _wait(guard, ms):
    for _ in range(0, ms, 20):
        guard.listen()
        time.sleep_ms(20)
