"""Source text that the rig has a board execute: make safe, ask the firmware, start a device script. Pure functions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from harness.base.errors import BenchError
from harness.link.answers import SAY, answers
from harness.link.literals import literal
from harness.rigfile import RigSpec
from harness.rigfile.crosscheck import SPEED_SPAN_S


def off_levels(spec: RigSpec) -> tuple[int, ...]:
    """Level of each motor's enable pin at which its bridge is off."""
    return tuple(0 if motor.enable_active == "high" else 1 for motor in spec.motor.values())


def make_safe(spec: RigSpec) -> str:
    """Bridges disabled first, then all phase pins low: the other way round would be a brake for a moment.

    A pin made a plain output leaves the pulse-width timer that an interrupted script left running on it.
    """
    enables = tuple(zip((motor.enable_pin for motor in spec.motor.values()), off_levels(spec), strict=True))
    phases = tuple(pin for motor in spec.motor.values() for pin in motor.phase_pins)
    return (
        "from machine import Pin\n"
        f"for p, v in {enables!r}:\n Pin(p, Pin.OUT, value=v)\n"
        f"for p in {phases!r}:\n Pin(p, Pin.OUT, value=0)\n"
    )


def live_pins(spec: RigSpec) -> str:
    """Read every motor's pins, as they are: for each motor those that are not as off leaves them (pins.py)."""
    motors = tuple(
        (motor.phase_pins, motor.enable_pin, off)
        for motor, off in zip(spec.motor.values(), off_levels(spec), strict=True)
    )
    return f"{SAY}import pins\n_say([pins.live(*each) for each in {motors!r}])\n"


def pins_answered(printed: str, motors: Sequence[str]) -> dict[str, list[int]]:
    """The live pins of each motor out of what `live_pins` printed. Raises BenchError, LinkError."""
    said = answers(printed)
    try:
        pins = literal(said[0]) if len(said) == 1 else None
    except ValueError:
        pins = None
    if not isinstance(pins, list) or len(pins) != len(motors) or not all(isinstance(each, list) for each in pins):
        raise BenchError(f"the board's pins: expected a list of live pins for each motor, found {printed[:60]!r}")
    return {motor: [int(pin) for pin in each] for motor, each in zip(motors, pins, strict=True)}


def ask_firmware(spec: RigSpec) -> str:
    """Names that the firmware module has, and what it declares for each motor, or the error that kept it."""
    return (
        f"{SAY}import {spec.firmware.module} as _m\n"
        "_say(sorted(dir(_m)))\n"
        f"for _k in range({len(spec.motors)}):\n"
        " _say(_m.declare(_k) if hasattr(_m, 'declare') else None)\n"
    )


def firmware_answers(printed: str, module: str, motors: Sequence[str]) -> tuple[tuple[str, ...], dict[str, object]]:
    """The names that the firmware has, and what it declares for each motor, unchecked. Raises BenchError, LinkError."""
    said = answers(printed)
    if len(said) != 1 + len(motors):
        raise BenchError(f"firmware {module}: expected what it declares, found no answer")
    try:
        names, *declared = map(literal, said)
        if not isinstance(names, list | tuple) or not all(isinstance(name, str) for name in names):
            raise ValueError(f"expected a list of names, found {said[0][:40]!r}")
    except ValueError as error:
        raise BenchError(f"firmware {module}: what it says of itself makes no sense: {error}") from error
    return tuple(names), dict(zip(motors, declared, strict=True))


def travel_counts(spec: RigSpec) -> tuple[int, ...]:
    """Travel allowed either way from hanging, in counts of each motor's sensor."""
    return tuple(round(spec.limits.travel_rad * motor.sensor.counts / math.tau) for motor in spec.motor.values())


def speed_counts(spec: RigSpec) -> tuple[int, ...]:
    """Speed allowed, in counts of each motor's sensor per SPEED_SPAN_S."""
    per_rad_s = SPEED_SPAN_S / math.tau
    return tuple(round(spec.limits.speed_rad_s * motor.sensor.counts * per_rad_s) for motor in spec.motor.values())


def hang_counts(spec: RigSpec, hangs_rad: Mapping[str, float]) -> tuple[int | None, ...]:
    """Count at which each motor's arm hangs, from readings by motor; None of one that nobody knows yet."""
    counts: list[int | None] = []
    for name, motor in spec.motor.items():
        turn = motor.sensor.counts
        counts.append(round(hangs_rad[name] * turn / math.tau) % turn if name in hangs_rad else None)
    return tuple(counts)


def guard_terms(spec: RigSpec, hangs_rad: Mapping[str, float]) -> dict[str, object]:
    """What the board's guard is given to hold a script to, by its own names, and what it must say that it has."""
    return {
        "pins": tuple(motor.phase_pins for motor in spec.motor.values()),
        "enables": tuple(motor.enable_pin for motor in spec.motor.values()),
        "enable_off": off_levels(spec),
        "deadman_ms": round(spec.board.deadman_s * 1000),
        "hang": hang_counts(spec, hangs_rad),
        "travel": travel_counts(spec),
        "speed": speed_counts(spec),
    }


def script(
    spec: RigSpec, module: str, call: str, parameters: Mapping[str, object], hangs_rad: Mapping[str, float]
) -> str:
    """Run `module.call(guard, **parameters)` under a guard that turns the phases off whatever happens.

    Travel is supervised of the motors in `hangs_rad`, about where their arms hang.
    """
    terms = "".join(f", {name}={value!r}" for name, value in guard_terms(spec, hangs_rad).items())
    given = "".join(f", {name}={value!r}" for name, value in parameters.items())
    return (
        "import agreement, safety\n"
        f"_g = safety.Guard(drive={spec.firmware.module!r}{terms})\n"
        "try:\n"
        " agreement.agree(_g)\n"
        f" import {module}\n"
        f" {module}.{call}(_g{given})\n"
        "finally:\n"
        " _g.close()\n"
    )
