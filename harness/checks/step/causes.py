"""What causes do to the quantities of a step, and the causes that it shows first: delay, period, inertia."""

from __future__ import annotations

from collections.abc import Mapping

from harness.nouns.effects import FREE, HAPPENS, LATER, NO_SIZE, Cause, Effects, Shift

LOOP: Effects = {
    "decay": FREE,
    "rise_time": FREE,
    "overshoot": FREE,
    "settling_time": FREE,
    "steady_state_error": FREE,
    "large_rise_time": FREE,
    "large_overshoot": FREE,
    "stability_margin": FREE,
    "limits": FREE,
}
"""What follows from a loop that is stiffer, softer, later or less damped than expected."""

CAUSES: tuple[Cause, ...] = (
    Cause(
        name="loop delay",
        where="any",
        words="the loop acts {shift_ms:.1f} ms later than the rig file says",
        sizes=LATER,
        effects=LOOP | {"delay": Shift(1.0), "natural_frequency": FREE},
        confirmed_by="trace the firmware from reading to duties",
    ),
    Cause(
        # Met before anything of the loop could be measured, so that delay, gain, sense and inertia are not parted.
        name="loop not stable",
        where="any",
        sizes=NO_SIZE,
        words="the closed loop does not hold this motor within the limits (later, stiffer or less damped than stated)",
        effects=LOOP | {"limits": HAPPENS, "natural_frequency": FREE},
        confirmed_by="let the loop hold with a tenth of its gain and raise it slowly",
    ),
    Cause(
        name="loop period",
        where="any",
        words="the loop's period is {ratio:.2g} times what the rig file says",
        effects=LOOP | {"loop_period": 1.0, "delay": FREE, "natural_frequency": FREE, "loop_jitter": FREE},
        confirmed_by="trace the firmware's timer",
    ),
    Cause(
        name="inertia",
        words="inertia on the shaft about {percent:.0f} % {more} than the rig file says",
        effects=LOOP | {"natural_frequency": -0.5},
        confirmed_by="let the arm swing, phases off, and take its period",
    ),
)

EFFECTS: Mapping[str, Effects] = {
    "noisier path": LOOP | {"delay": FREE, "natural_frequency": FREE, "loop_period": FREE, "loop_jitter": FREE},
    **dict.fromkeys(("older reading", "late reading"), LOOP | {"delay": Shift(1.0), "natural_frequency": FREE}),
    # Root of the loop's stiffness; an arm that is heavier is in the inertia, too.
    "magnet flux": LOOP | {"natural_frequency": 0.5},
    "arm torque": LOOP | {"natural_frequency": FREE},
    "supply voltage": LOOP | {"natural_frequency": 0.5},
    "winding resistance": LOOP | {"natural_frequency": -0.5, "delay": FREE},
    "driver resistance": LOOP | {"natural_frequency": -0.5, "delay": FREE},
    "loop gain": LOOP | {"natural_frequency": 0.5},
    # A large step is made at the clip for most of its way: it takes the root of the acceleration.
    "loop clip": {"large_rise_time": -0.5, "large_overshoot": FREE},
    "friction": LOOP | {"natural_frequency": FREE},
}
"""On quantities of this check, of causes that another one shows first."""
