"""What both motors holding at once measure."""

from __future__ import annotations

from harness.nouns.measurand import CheckRow, Dependence, Measurand, Origin, Sense, absolute

CHECK = CheckRow(
    name="together",
    title="Both motors holding",
    place=50,
    per_motor=False,
    closes_loop=True,
    powered=True,
    conduct=False,
    parts=("set_point", "start", "stop", "control_step"),
    quantities=(
        Measurand(
            name="MOTOR_deflection_change",
            words="change of a motor's deflection when the other motor joins",
            unit="rad",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=-1.0, supply_half=1.0, per_k=0.005, per_k_half=0.005, why="torque over stiffness"
            ),
            detect=absolute(0.01, "half a degree: a hand at the other shaft would feel it"),
        ),
        Measurand(
            name="supply_sag",
            words="fall of the supply when both hold",
            unit="V",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=1.0, supply_half=1.0, per_k=0.0, per_k_half=0.0, why="current over a source's resistance"
            ),
            detect=absolute(0.1, "a weak source"),
        ),
    ),
)
