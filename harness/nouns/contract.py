"""The drive contract, version 1: what a board's own firmware offers so that it can be tested.

The firmware is a MicroPython module named in the rig file. Device scripts reach it through these
module-level functions only, and the harness never assumes anything else about it. `motor` is the
motor's place in the rig file, counted from 0. All numbers are integers, because a control path on a
small board should not have to allocate floats.

Conventions (the same in the models and in the plant of the simulated bench, which share no code):
shaft angle positive counter-clockwise seen from the shaft end; a field in the order A, B, C turns
positive; electrical zero is rotor flux on phase A's axis; amplitude 1 is a phase voltage peak of half
the supply.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from harness.base.errors import FirmwareFault

FULL_TURN = 65536
"""Electrical angles are in 1/65536 of an electrical turn; the firmware rounds to its own grid."""
FULL_DUTY = 65535
"""A duty of 1, as a board's PWM takes it."""
FULL_AMPLITUDE = 32768
"""Amplitudes are in 1/32768; demands are signed amplitudes in the same unit."""


class DeclarationError(FirmwareFault):
    """The firmware does not declare what the drive contract asks for."""

    def __init__(self, message: str) -> None:
        super().__init__(message, "declaration")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One function of the contract."""

    name: str
    call: str
    meaning: str


OFFSET_LIMIT_RAD = math.radians(30.0)
"""Largest difference of measured and declared electrical offset at which a loop is closed. Common practice, no source:
half the torque is left at 60 degrees, and none at 90."""
ALWAYS = ("declare", "off", "angle")
"""Parts that the board's guard calls whatever runs; which others a check needs, its row says."""

PARTS: tuple[Part, ...] = (
    Part(
        name="declare",
        call="declare(motor) -> dict",
        meaning="facts of the firmware, keys in DECLARED",
    ),
    Part(
        name="off",
        call="off(motor)",
        meaning="bridge disabled, phases at high impedance",
    ),
    Part(
        name="field",
        call="field(motor, angle, amplitude)",
        meaning="hold a field at an electrical angle (1/65536 turn) with an amplitude (1/32768); enables the bridge",
    ),
    Part(
        name="angle",
        call="angle(motor) -> (count, valid, age_us)",
        meaning="last sensor reading as raw count, whether it passed its own checks, its age in microseconds",
    ),
    Part(
        name="set_point",
        call="set_point(motor, count)",
        meaning="where the loop is to hold the shaft, raw count",
    ),
    Part(
        name="start",
        call="start(motor)",
        meaning="begin the closed loop on the firmware's own timing; the set point becomes the present reading",
    ),
    Part(name="stop", call="stop(motor)", meaning="end the closed loop, then as off"),
    Part(
        name="trace",
        call="trace(motor, hook)",
        meaning="call hook(ticks_us, count, demand) once a pass with the sampling instant, the reading used and the "
        "demand put out (signed, 1/32768); None takes the hook away",
    ),
    Part(
        name="control_step",
        call="control_step(motor)",
        meaning="one pass of the loop, for firmware that wants to be called once a period instead of start and stop",
    ),
    Part(
        name="duties",
        call="duties(motor, a, b, c)",
        meaning="three phase duties, 0 to 65535; enables the bridge",
    ),
    Part(name="brake", call="brake(motor)", meaning="all three phases low; not the same as off"),
    Part(
        name="currents",
        call="currents(motor) -> (a, b, c)",
        meaning="phase currents in mA, where the board has them",
    ),
    Part(
        name="driver_temperature",
        call="driver_temperature() -> int",
        meaning="driver temperature in 1/100 degC",
    ),
)

DECLARED: Mapping[str, str] = {
    "contract": "version of this contract",
    "name": "name of the firmware",
    "version": "version of the firmware, text",
    "pace": "'own': has start and stop; 'called': wants control_step once a period",
    "carrier_hz": "pulse-width carrier",
    "loop_period_us": "period of the loop",
    "counts_per_turn": "sensor counts a mechanical turn",
    "field_steps": "steps of an electrical turn that a field can stand at",
    "max_static_duty": "largest duty that may stand for seconds, 0 to 65535",
    "dead_time_ns": "dead time of the bridge",
    "pole_pairs": "pole pairs its loop is built for",
    "offset_count": "raw count at electrical zero nearest to count 0",
    "direction": "+1 or -1: sense of the reading for a field in the order A, B, C",
    "sensor_path": "'bus' or 'pulse_width'",
    "timers": "list of timer numbers it uses (-1: virtual)",
    "amplitude_limit": "largest demand of its loop, 1/32768",
    "current_limit_ma": "its own current limit, 0 if it has none",
    "travel_limit": "its own travel limit in counts from the start, 0 if it has none",
}
"""Keys of declare(), with their meaning. A missing key is reported by `inspect`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """What the firmware says of itself for one motor, checked and in SI units where it is not a count."""

    contract: int
    name: str
    version: str
    pace: str
    carrier_hz: float
    loop_period_s: float
    counts_per_turn: int
    field_steps: int
    max_static_duty: float
    dead_time_s: float
    pole_pairs: int
    offset_count: int
    direction: int
    sensor_path: str
    timers: tuple[int, ...]
    amplitude_limit: float
    current_limit_a: float | None
    travel_limit_rad: float | None


HIGHEST_TIMER = 1000
"""Number of a timer (arbitrary)."""
LONGEST_WORD = 100
"""Characters of the firmware's name and version (arbitrary)."""
_PACES = ("own", "called")
_PATHS = ("bus", "pulse_width")


def parse_declared(motor: str, answer: object) -> Declared:
    """Check the answer of `declare(motor)`.

    Raises DeclarationError, all problems in one line: missing keys, wrong types, numbers that cannot be.
    """
    if not isinstance(answer, Mapping):
        raise DeclarationError(f"firmware: declare({motor}): expected a dict, found {type(answer).__name__}")
    problems = [f"{key} is missing ({meaning})" for key, meaning in DECLARED.items() if key not in answer]

    def whole(key: str, low: int, high: int) -> int:
        value = answer.get(key, low)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            problems.append(f"{key}: expected an integer from {low} to {high}, found {_shown(value)}")
            return low
        return value

    def word(key: str, allowed: tuple[str, ...] = ()) -> str:
        value = answer.get(key, allowed[0] if allowed else "")
        if not isinstance(value, str) or (allowed and value not in allowed) or len(value) > LONGEST_WORD:
            expected = " or ".join(allowed) or f"a text of at most {LONGEST_WORD} characters"
            problems.append(f"{key}: expected {expected}, found {_shown(value)}")
            return ""
        return value

    counts = whole("counts_per_turn", 16, 1 << 24)
    timers = answer.get("timers", [])
    if not isinstance(timers, (list, tuple)) or not all(map(_is_timer, timers)):
        problems.append(f"timers: expected a list of integers, found {_shown(timers)}")
        timers = []
    current_ma = whole("current_limit_ma", 0, 1_000_000)
    travel = whole("travel_limit", 0, 1 << 24)
    declared = Declared(
        contract=whole("contract", 1, 999),
        name=word("name"),
        version=word("version"),
        pace=word("pace", _PACES),
        carrier_hz=float(whole("carrier_hz", 1, 10_000_000)),
        loop_period_s=whole("loop_period_us", 1, 1_000_000) * 1e-6,
        counts_per_turn=counts,
        field_steps=whole("field_steps", 6, FULL_TURN),
        max_static_duty=whole("max_static_duty", 0, FULL_DUTY) / FULL_DUTY,
        dead_time_s=whole("dead_time_ns", 0, 1_000_000) * 1e-9,
        pole_pairs=whole("pole_pairs", 1, 999),
        offset_count=whole("offset_count", 0, counts),
        direction=whole("direction", -1, 1),
        sensor_path=word("sensor_path", _PATHS),
        timers=tuple(timers),
        amplitude_limit=whole("amplitude_limit", 0, FULL_AMPLITUDE) / FULL_AMPLITUDE,
        current_limit_a=current_ma * 1e-3 if current_ma else None,
        travel_limit_rad=travel * math.tau / counts if travel else None,
    )
    if declared.direction == 0:
        problems.append("direction: expected 1 or -1, found 0")
    if problems:
        raise DeclarationError(
            f"firmware: declare() for motor {motor}: {'; '.join(problems)}; "
            "see the drive contract, harness/nouns/CONTRACT.md"
        )
    return declared


def _is_timer(number: object) -> bool:
    return isinstance(number, int) and abs(number) <= HIGHEST_TIMER


def _shown(value: object) -> str:
    try:
        return repr(value)[:60]
    except ValueError:  # a number of more digits than Python spells out
        return f"a large {type(value).__name__}"


def missing_parts(names: Collection[str], pace: str) -> list[Part]:
    """Parts of the contract that a module with these names lacks, by its declared pace."""
    instead = {"own": ("control_step",), "called": ("start", "stop")}.get(pace, ())
    return [part for part in PARTS if part.name not in names and part.name not in instead]
