"""What the states of the drive come to, before anything is energised."""

from __future__ import annotations

from harness.nouns.measurand import CheckRow, Origin, counted

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
        counted(
            "live_pins",
            "pins that are not as off leaves them, after import, off, stop and a soft reset",
        ),
        counted(
            "contradictions",
            "declared facts that contradict the rig file",
            Origin.TOLD,
        ),
    ),
)
