"""What resting measures."""

from __future__ import annotations

from harness.nouns.measurand import UNMOVED, CheckRow, Measurand, Origin, Sense, absolute

CHECK = CheckRow(
    name="rest",
    title="Arm at rest",
    place=15,
    per_motor=True,
    closes_loop=False,
    powered=True,
    conduct=False,
    parts=(),
    quantities=(
        Measurand(
            name="place",
            words="reading at which the arm rests, phases off",
            unit="rad",
            sense=Sense.ANGLE,
            origin=Origin.MEASURED,
            follows=UNMOVED,
            detect=absolute(0.4, "a reversed sensor moves it by far more"),
        ),
    ),
)
