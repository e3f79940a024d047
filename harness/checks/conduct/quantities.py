"""What the drive does when it is told, as numbers."""

from __future__ import annotations

from enum import IntEnum

from harness.nouns.measurand import UNMOVED, CheckRow, Measurand, Origin, Sense, absolute, counted, percent


class Following(IntEnum):
    """How the shaft follows its set point."""

    AS_TOLD = 0
    NOT = 1
    OTHER_WAY = 2
    ONE_WAY = 3
    TOO_FAR = 4
    TOO_LITTLE = 5
    NO_PASS = 6
    RUNS_OFF = 7


class Trace(IntEnum):
    """What the trace tells."""

    SOUND = 0
    NOTHING = 1
    OLD = 2
    OTHER_READINGS = 3
    NO_LOOP = 4
    AGAINST = 5
    BEYOND = 6


CHECK = CheckRow(
    name="conduct",
    title="Conduct of the drive and its loop",
    place=12,
    per_motor=True,
    closes_loop=True,
    powered=True,
    conduct=True,
    parts=("field", "set_point", "start", "stop", "control_step"),
    quantities=(
        counted(
            "enable_missed",
            "fields and duties after which the enable pin was still at off",
        ),
        Measurand(
            name="field_amplitude",
            words="amplitude of a field over the one asked for, by the pins",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=percent(25, "half an amplitude is one wrong shift in integer code"),
        ),
        Measurand(
            name="field_error",
            words="departure of the fields from those asked for, over their amplitude, less what noise makes of it",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(
                0.35,
                "two phases exchanged are off by all of it",
            ),
        ),
        Measurand(
            name="duties_error",
            words="largest departure of three duties from those asked for, less what noise makes of it, by the pins",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(0.07, "two of them exchanged are off by more"),
        ),
        Measurand(
            name="time_to_off",
            words="longest time that off or stop took",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(0.1, "twice as long as the contract allows"),
        ),
        Measurand(
            name="current_left",
            words="supply current after all that was switched off, over the idle one before",
            unit="A",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(0.05, "a phase that is still driven draws more at any amplitude that turns a shaft"),
        ),
        counted(
            "shaft_held",
            "what off leaves of a shaft that a field held aside",
            meanings=("its arm falls back", "it stays"),
        ),
        counted(
            "start",
            "what start does with the set point",
            meanings=(
                "takes the present reading",
                "goes to an older one",
                "goes to the last reading before it",
                "runs off when it is started again",
            ),
        ),
        counted(
            "following",
            "how the shaft follows its set point",
            meanings=(
                "as told",
                "not at all",
                "the other way",
                "one way only",
                "too far or on and on",
                "too little",
                "not at all, and its trace tells of no pass",
                "it runs off at its start",
            ),
        ),
        counted(
            "far",
            "which way the loop goes over nearly half a turn",
            meanings=("the shorter one", "the longer one on one side"),
        ),
        counted(
            "brake",
            "what brake leaves",
            meanings=("three phases low under an enabled bridge", "a bridge that is off", "a phase driven"),
        ),
        counted(
            "trace",
            "what the trace tells",
            meanings=(
                "what was read beside it",
                "nothing",
                "old passes",
                "other readings",
                "passes of a loop that does not run",
                "demands against the error",
                "demands beyond the declared limit",
            ),
        ),
        Measurand(
            name="demand_growth",
            words="growth of the demand of an error that is held for a quarter of a second, over itself",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.TOLD,
            follows=UNMOVED,
            detect=absolute(0.5, "a sum that takes over from the loop's gain within half a second"),
        ),
        counted(
            "passes_after_off",
            "passes of the loop after it was ended",
            Origin.TOLD,
        ),
        counted(
            "limit_missed",
            "what the board's limit of travel does under a busy loop",
            meanings=("stops it", "nothing"),
        ),
        Measurand(
            name="deadman_late",
            words="time by which the deadman acted late under a busy loop",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(0.1, "the host's own silence is known no better"),
        ),
    ),
)
