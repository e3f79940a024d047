"""What firmware does that does not do as it is told, and what other causes do to the numbers of conduct."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from harness.checks.conduct.quantities import Following, Trace
from harness.nouns.effects import FREE, HAPPENS, NO_SIZE, Becomes, Cause, Effects, OneOf, Shift, Size

LOOP: Effects = {
    "trace": FREE,
    "passes_after_off": FREE,
    "deadman_late": FREE,
    "current_left": FREE,
    "time_to_off": FREE,
    "limit_missed": FREE,
    "far": FREE,
    "brake": FREE,
    "demand_growth": FREE,
}


def _is(code: int, words: str) -> Becomes:
    return Becomes(lambda _, __: float(code), words)


def _code(name: str, quantity: str, code: int, words: str, confirmed_by: str, others: Effects | None = None) -> Cause:
    """A kind of conduct that has a code, and what it does to other quantities."""
    return Cause(
        name=name,
        words=words,
        sizes=NO_SIZE,
        where="any",
        elsewhere=FREE,
        shown=f"conduct.{quantity}",
        effects={quantity: _is(code, f"{code}"), **(others or {})},
        confirmed_by=confirmed_by,
    )


def _loop(name: str, kind: Following, words: str, confirmed_by: str, others: Effects | None = None) -> Cause:
    """A way in which the loop does not follow; where it does not, it is not closed again, and the rest is not run."""
    return _code(name, "following", kind, words, confirmed_by, LOOP | {"start": FREE} | (others or {}))


def _trace(name: str, kind: Trace, words: str) -> Cause:
    return _code(name, "trace", kind, words, "look where the firmware calls the hook, and with what", {"far": FREE})


def _more(name: str, quantity: str, words: str, confirmed_by: str, free: Sequence[str] = ()) -> Cause:
    """Something that should be 0 and is more; quantities in `free` may go with it."""
    return Cause(
        name=name,
        words=words,
        sizes={"size": Size(kind="shift", low=0.0, high=math.inf)},
        where="any",
        elsewhere=FREE,
        shown=f"conduct.{quantity}",
        effects={quantity: Shift(1.0), **dict.fromkeys(free, FREE)},
        confirmed_by=confirmed_by,
    )


CAUSES: tuple[Cause, ...] = (
    _loop(
        "set point ignored",
        Following.NOT,
        "the loop does not follow its set point: it is not read, no demand comes of it, or an error so small is taken "
        "for none (a dead band)",
        "print set point and demand in the firmware's pass",
    ),
    _loop(
        "loop of the wrong sense",
        Following.OTHER_WAY,
        "the loop drives the shaft the other way: wrong sign, or wrong pole pairs or offset inside",
        "compare sign, pole pairs and offset inside the loop with those that the firmware declares",
        # Which way noise sends the shaft at its start decides whether it was given a set point before it ran off.
        {"following": OneOf((Following.OTHER_WAY, Following.RUNS_OFF))},
    ),
    _loop(
        "loop of one sense",
        Following.ONE_WAY,
        "the loop follows one way only: one sign of the error is treated wrongly",
        "look at what the firmware does with a negative error",
    ),
    _loop(
        "loop too far",
        Following.TOO_FAR,
        "the shaft goes past its set point, or on and on: counts or pole pairs inside are not those declared, or one "
        "sign of the error is treated wrongly",
        "compare the counts a turn inside the loop with those that the firmware declares",
    ),
    _loop(
        "loop too little",
        Following.TOO_LITTLE,
        "the shaft goes a part of the way to its set point: a loop far too weak, or counts not those declared",
        "compare gain and counts a turn inside the loop with those stated",
    ),
    _loop(
        "loop runs off",
        Following.RUNS_OFF,
        "the shaft runs off as soon as the loop is closed: to another set point than the one it is given",
        "trace reading, set point and demand of the first passes",
    ),
    _loop(
        "loop reads once",
        Following.NOT,
        "a pass of the loop acts on an older reading, the same each time: it does not read",
        "look where a pass of the firmware reads its sensor",
        {"trace": _is(Trace.OLD, f"{Trace.OLD}")},
    ),
    _loop(
        "no pass",
        Following.NO_PASS,
        "no pass of the loop is seen: it is never run, or ends in an exception that nothing prints",
        "print at the first and at the last line of the firmware's pass",
    ),
    _trace("trace silent", Trace.NOTHING, "the trace hook is never called"),
    _trace("trace old", Trace.OLD, "the trace hook tells of passes that are over: long gone, or the one before"),
    _trace("trace of other readings", Trace.OTHER_READINGS, "the trace hook is given other readings than the loop's"),
    _trace("trace of no loop", Trace.NO_LOOP, "the trace hook is called while no loop runs"),
    _trace("trace of other demands", Trace.AGAINST, "the trace hook is given demands against the error"),
    _trace(
        "trace before its limit",
        Trace.BEYOND,
        "demands go beyond the declared limit: the trace hook is given them as they were before it, or the loop has "
        "another one",
    ),
    _code(
        "old set point",
        "start",
        1,
        "start goes to the set point that was left before, in place of the present reading",
        "look what start() does with the set point",
        {"following": FREE, "trace": FREE, "far": FREE},
    ),
    _code(
        "stale start",
        "start",
        2,
        "start takes an older reading for the present one as its set point",
        "look whether start() reads the sensor before it sets its set point",
        {"following": FREE, "trace": FREE, "far": FREE},
    ),
    _code(
        "second start runs off",
        "start",
        3,
        "the loop runs off when it is started again: something of its first run is left in it",
        "look what start() leaves of a sum, a set point or a filter",
        LOOP | {"following": FREE},
    ),
    _code(
        "bridge drives on",
        "shaft_held",
        1,
        "the shaft is held after off: the bridge goes on driving its phases though its pins are off",
        "turn the shaft by hand after off(), then with the supply switched off",
    ),
    _code(
        "error not wrapped",
        "far",
        1,
        "across count 0 the loop goes the longer way round: its error is not wrapped to half a turn",
        "look at how the firmware makes its error where set point and reading lie on two sides of count 0",
    ),
    Cause(
        name="sum in the loop",
        words="the demand creeps up while an error is held: an integrator, which the rig file does not state",
        sizes={"size": Size(kind="shift", low=0.05, high=math.inf)},
        where="any",
        shown="conduct.demand_growth",
        elsewhere=FREE,
        effects={"demand_growth": Shift(1.0), "following": FREE, "far": FREE},
        confirmed_by="hold the shaft beside its set point and watch the demand",
    ),
    _code(
        "brake open",
        "brake",
        1,
        "brake leaves the bridge off: it is an off, and the shaft is free",
        "look at the enable pin after brake()",
    ),
    _code(
        "brake driven",
        "brake",
        2,
        "brake leaves a phase driven: it is none, and current flows",
        "read the three duties after brake()",
    ),
    Cause(
        name="field amplitude",
        words="a field is {ratio:.2g} times as strong as it was asked for",
        sizes={"size": Size(low=0.05, high=20.0)},
        where="any",
        shown="conduct.field_amplitude",
        elsewhere=FREE,
        effects={"field_amplitude": 1.0},
        confirmed_by="look at the scale of field() beside that of the loop",
    ),
    _more(
        "phases of a field",
        "field_error",
        "the three phases of a field are not those asked for ({note})",
        "read the three duties of one field",
        free=("field_amplitude",),
    ),
    _more(
        "phases of duties",
        "duties_error",
        "the three duties are not those asked for: exchanged, or one of them scaled",
        "read the three duties of one call",
    ),
    _more(
        "enable forgotten",
        "enable_missed",
        "bridge not enabled: a field or duties leave the enable pin at off",
        "look where the firmware enables the bridge",
    ),
    _more(
        "loop not ended",
        "passes_after_off",
        "the loop goes on after it was ended",
        "look what off() and stop() do with the loop's timer",
    ),
    _more(
        "limit without effect",
        "limit_missed",
        "the board's limit of travel does not act while the loop is busy",
        "look how often angle() has a new reading while the loop runs",
    ),
    _more(
        "slow off",
        "time_to_off",
        "off or stop takes {shift_ms:.0f} ms longer than it may",
        "look what off() waits for",
        free=("deadman_late",),
    ),
)

WIRING = (
    "phases B and C exchanged", "phases A and B exchanged", "phases A and C exchanged", "phases rotated by one",
    "phases rotated by two", "sensor reversed", "offset", "sensor magnet turned", "phase open", "pole pairs",
    "no supply at the bridge", "shaft blocked", "bridge dead",
)  # fmt: skip
BEYOND_PINS: Effects = LOOP | {"shaft_held": FREE, "start": FREE, "following": FREE}
"""What lies beyond the board's pins, motor, leads, sensor, moves whatever the shaft has a part in, and no pin."""

RESTARTED: Effects = LOOP | {"start": OneOf((0.0, 2.0, 3.0)), "following": FREE, "limits": FREE}
"""What acts later than stated may go back to an older reading where it is started again, hunt, or run into a limit."""
WEAK: Effects = {"following": OneOf((Following.AS_TOLD, Following.NOT, Following.TOO_LITTLE))}
"""Friction may keep a weaker loop from as small a move, on one motor and not on another."""

EFFECTS: Mapping[str, Effects] = {
    **dict.fromkeys(("loop delay", "older reading", "late reading"), RESTARTED),
    **dict.fromkeys(("loop gain", "magnet flux", "supply voltage"), WEAK),
    "loop not stable": {"*": FREE, "limits": HAPPENS},
    **dict.fromkeys(WIRING, BEYOND_PINS),
}
"""On quantities of this check, of causes that another one shows first."""
