"""What the states of the drive come to, before anything is energised."""

from __future__ import annotations

from harness.nouns.measurand import CheckRow, Dependence, Measurand, Origin, Sense, nothing

FREE = Dependence(why="neither voltage nor temperature enters it")

CHECK = CheckRow(
    name="states",
    title="States of the drive, unenergised",
    place=2,
    per_motor=True,
    closes_loop=False,
    powered=False,
    conduct=True,
    parts=(),
    quantities=(
        Measurand(
            name="live_pins",
            words="pins that are not as off leaves them, after import, off, stop and a soft reset",
            unit="1",
            sense=Sense.COUNT,
            origin=Origin.MEASURED,
            follows=FREE,
            detect=nothing("equal or different, whatever is asked"),
        ),
        Measurand(
            name="contradictions",
            words="declared facts that contradict the rig file",
            unit="1",
            sense=Sense.COUNT,
            origin=Origin.TOLD,
            follows=FREE,
            detect=nothing("equal or different, whatever is asked"),
        ),
    ),
)
