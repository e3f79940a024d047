"""What stiffness measures; torques are referred to 20 degC as they are measured."""

from __future__ import annotations

from harness.nouns.measurand import CheckRow, Dependence, Measurand, Origin, Sense, percent, unmoved

TORQUE = Dependence(
    supply=1.0,
    supply_half=0.0,
    per_k=0.0,
    per_k_half=0.0,
    why="torque at a stated amplitude goes with the voltage behind it; at 20 degC as measured",
)

CHECK = CheckRow(
    name="stiffness",
    title="Holding stiffness",
    place=20,
    per_motor=True,
    closes_loop=True,
    powered=True,
    conduct=False,
    parts=("field", "set_point", "start", "stop", "control_step"),
    quantities=(
        Measurand(
            name="open_loop",
            words="stiffness of a held field",
            unit="N m/rad",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=TORQUE,
            detect=percent(15, "what a user feels as slack"),
        ),
        Measurand(
            name="closed_loop",
            words="stiffness of the position loop",
            unit="N m/rad",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=TORQUE,
            detect=percent(20, "what a user feels as a softer loop"),
        ),
        Measurand(
            name="ratio",
            words="closed-loop to open-loop stiffness",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=unmoved("voltage and temperature cancel in it"),
            detect=percent(15, "the loop's gain alone: flux, resistance and supply cancel"),
        ),
        Measurand(
            name="friction",
            words="friction torque, half the distance of the branches",
            unit="N m",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.0,
                supply_half=0.0,
                per_k=0.0,
                per_k_half=0.01,
                why="a torque; grease thins by up to 1 % a kelvin (arbitrary)",
            ),
            detect=percent(200, "a bearing run dry; friction known to 50 % allows no less"),
        ),
        Measurand(
            name="slip_torque",
            words="largest torque of a held field before it slips",
            unit="N m",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=TORQUE,
            detect=percent(20, "a fifth of what holds the shaft"),
        ),
        Measurand(
            name="clip_torque",
            words="largest torque of the loop before it gives way",
            unit="N m",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=TORQUE,
            detect=percent(20, "a fifth of what the loop can give"),
        ),
        Measurand(
            name="torque_per_ampere",
            words="torque per ampere of phase current",
            unit="N m/A",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=unmoved("at 20 degC as measured; a voltage enters only as current"),
            detect=percent(15, "a magnet batch at its lower end"),
        ),
        Measurand(
            name="supply_voltage",
            words="supply voltage while holding",
            unit="V",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=unmoved("is the reference itself, and compared as it was read"),
            detect=percent(5, "a weak supply or lead"),
        ),
    ),
)
