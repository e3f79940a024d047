"""What the step response measures.

How a quantity follows supply and room: wide guesses are arbitrary and cover what a supply 10 % low was seen to do on
the demo.
"""

from __future__ import annotations

from harness.nouns.measurand import (
    UNMOVED,
    CheckRow,
    Dependence,
    Measurand,
    Origin,
    Sense,
    absolute,
    nothing,
    percent,
)

CHECK = CheckRow(
    name="step",
    title="Step response",
    place=30,
    per_motor=True,
    closes_loop=True,
    powered=True,
    conduct=False,
    parts=("set_point", "start", "stop", "trace", "control_step"),
    quantities=(
        Measurand(
            name="natural_frequency",
            words="natural frequency of the loop",
            unit="rad/s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.4,
                supply_half=0.1,
                per_k=0.0,
                per_k_half=0.0,
                why="root of the loop's stiffness, of which the arm has up to 0.4 as its own; at 20 degC as measured",
            ),
            detect=percent(15, "gain off by 30 %"),
        ),
        Measurand(
            name="decay",
            words="decay per half cycle",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.0,
                supply_half=3.0,
                per_k=0.0,
                per_k_half=0.02,
                why="what delay takes grows with frequency (wide guess)",
            ),
            detect=nothing("friction, known to 50 %, moves what is expected of it by as much as a fault does"),
        ),
        Measurand(
            name="delay",
            words="delay from set point to motion",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.0,
                supply_half=0.3,
                per_k=0.0,
                per_k_half=0.0,
                why="counted in time, the onset by the frequency to a small part",
            ),
            detect=absolute(1.5e-3, "more than a loop's margin of two allows"),
        ),
        Measurand(
            name="rise_time",
            words="rise time of a small step",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=-0.4,
                supply_half=0.1,
                per_k=0.0025,
                per_k_half=0.001,
                why="inverse of the natural frequency, as measured warm or cold: stiffness falls by 0.5 % a kelvin",
            ),
            detect=percent(40, "friction known to 50 % allows no less"),
        ),
        Measurand(
            name="overshoot",
            words="overshoot of a small step",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.0,
                supply_half=0.6,
                per_k=0.0,
                per_k_half=0.005,
                why="friction over stiffness, weakly (wide guess)",
            ),
            detect=nothing("friction, known to 50 %, moves what is expected of it by as much as a fault does"),
        ),
        Measurand(
            name="settling_time",
            words="settling time of a small step",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=0.0, supply_half=1.0, per_k=0.0, per_k_half=0.01, why="jumps by half cycles (wide guess)"
            ),
            detect=percent(150, "rings more than twice as long"),
        ),
        Measurand(
            name="steady_state_error",
            words="error left after a small step",
            unit="rad",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=-1.0,
                supply_half=1.0,
                per_k=0.005,
                per_k_half=0.01,
                why="friction over stiffness, anywhere",
            ),
            detect=absolute(0.025, "a degree and a half"),
        ),
        Measurand(
            name="large_rise_time",
            words="rise time of a large step",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=-0.4,
                supply_half=0.4,
                per_k=0.0025,
                per_k_half=0.0025,
                why="between a frequency and a clipped torque",
            ),
            detect=percent(20, "torque at the clip off by 40 %"),
        ),
        Measurand(
            name="large_overshoot",
            words="overshoot of a large step",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(supply=0.0, supply_half=0.6, per_k=0.0, per_k_half=0.005, why="as overshoot"),
            detect=absolute(0.25, "a delay or gain that doubles the ringing of a large move"),
        ),
        Measurand(
            name="loop_period",
            words="period of the firmware's loop",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.TOLD,
            follows=UNMOVED,
            detect=percent(10, "a timer set to another rate"),
        ),
        Measurand(
            name="loop_jitter",
            words="jitter of that period",
            unit="s",
            sense=Sense.NUMBER,
            origin=Origin.TOLD,
            follows=UNMOVED,
            detect=nothing("no model predicts it: it has a requirement or none"),
        ),
        Measurand(
            name="stability_margin",
            words="margin of the loop's stability",
            unit="1",
            sense=Sense.NUMBER,
            origin=Origin.MEASURED,
            follows=Dependence(
                supply=-1.0, supply_half=1.0, per_k=0.005, per_k_half=0.005, why="inverse of the loop's stiffness"
            ),
            detect=nothing("friction, known to 50 %, moves what is expected of it by as much as a fault does"),
        ),
    ),
)
