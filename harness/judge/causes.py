"""The table of causes: what each does to the measured quantities, against what the rig file lets expect.

A row names a cause in words and says for each quantity what becomes of it when the cause has a size:

    a number        measured = expected x size^number        (size 1: nothing is wrong)
    Shift(number)   measured = expected + number x size      (size 0: nothing is wrong)
    Becomes(f)      measured = f(expected values of this motor, size): patterns, shares, angles
    FREE            may do anything, a consequence too involved for a table
    HAPPENS         as FREE, but evidence where it differs: a stop that the board provoked

`check.*` stands for the quantities of a check that the row does not name. A quantity that a row does not
name at all must agree, or the row is out: that keeps a second fault from passing as the size of the
first. Exponents are first-order physics (the relation stands beside each row); harness/judge/diagnosis.py
allows a tenth of each predicted change for that. To add a cause, add a row, and a line to its tests.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.nouns.effects import (
    FREE,
    HAPPENS,
    Becomes,
    Cause,
    Effects,
    Expected,
    Near,
    Shift,
    Size,
    commutation,
    step,
    stiffness,
    thermal,
    together,
    torques,
    whole,
)

SHIFT = {"size": Size(kind="shift", low=-math.inf, high=math.inf)}
LATER = {"size": Size(kind="shift", low=0.0, high=1.0)}
NONE: Mapping[str, Size] = {}
THIRD = 2.0 * math.pi / 3.0


# What follows from a loop that is stiffer, softer, later or less damped than expected.
LOOP: Effects = (
    step(decay=FREE, rise_time=FREE, overshoot=FREE, settling_time=FREE, steady_state_error=FREE)
    | step(large_rise_time=FREE, large_overshoot=FREE, stability_margin=FREE, limits=FREE)
    | stiffness(limits=FREE)
    | whole("together")
)
# What a motor does whose field is not where it should be: measured or not, it says nothing more.
STRAY: Effects = commutation(
    step_spread=FREE, step_angle=FREE, offset=FREE, hang_reading=FREE, weakest_vector=FREE
) | whole("stiffness", "step", "thermal", "together")
# The same where the six vectors still draw the shaft to places as strong and as far apart as they should be.
TURNED: Effects = STRAY | commutation(step_angle=0.0, weakest_vector=0.0)
STILL = commutation(direction=Becomes(lambda _, __: 0.0, "0"), phase_order=FREE, pole_pairs=FREE)
REVERSED = Becomes(lambda e, _: -e.get("commutation.direction", 1.0), "reversed")


def _wrapped(angle: float) -> float:
    return math.remainder(angle, 2.0 * math.pi)


def _order(order: int) -> Becomes:
    return Becomes(lambda _, __: float(order), str(order))


def _exchanged(one: str, other: str, order: int) -> Cause:
    """Two phases exchanged: the field turns the other way, about c = 0, 120 or 240 degrees."""
    about = (order - 3) * THIRD
    offset = Becomes(lambda e, _: _wrapped(about - e["commutation.offset"]), f"{120 * (order - 3)} deg - offset")
    return Cause(
        name=f"phases {one} and {other} exchanged",
        words=f"phases {one} and {other} are exchanged: the field turns the other way",
        sizes=NONE,
        effects=TURNED | commutation(direction=REVERSED, phase_order=_order(order), hang_reading=0.0, offset=offset),
        settled_by="follow the leads from the bridge to the motor",
    )


def _rotated(name: str, leads: str, order: int) -> Cause:
    """Phases in rotated order: the field turns the right way, 120 or 240 degrees off."""
    return Cause(
        name=f"phases rotated by {name}",
        words=f"the phases are connected in rotated order ({leads} for A, B, C)",
        sizes=NONE,
        effects=TURNED | commutation(hang_reading=0.0, phase_order=_order(order)),
        settled_by="follow the leads from the bridge to the motor",
    )


def _turned_offset(e: Expected, turned: float) -> float:
    """theta_e = direction p s + offset: a magnet turned by d moves hang by d and offset by -direction p d."""
    direction, pole_pairs = e.get("commutation.direction", 1.0), e["commutation.pole_pairs"]
    return _wrapped(e["commutation.offset"] - direction * pole_pairs * turned)


AGED = Shift(1.0, by="age", stray=0.5e-3)
"""Half a frame of 1 ms: where in its frame an output is read is each motor's own affair (usual; from memory)."""


def _like_pulse_width(sizes: Mapping[str, float]) -> str:
    """A pulse-width output is read a frame of it late, 0.5 to 5 ms, to some 1/4096 of a turn (usual; from memory)."""
    read_so = sizes["size"] >= 2.0 and 0.5e-3 <= sizes["age"] <= 5e-3
    return ", as by the sensor's pulse-width output in place of its bus" if read_so else ""


def _rise_with_housing(e: Expected, size: float) -> float:
    """Final rise when only the housing's part of it grows."""
    return e["thermal.fast_rise"] + (e["thermal.rise"] - e["thermal.fast_rise"]) * size


def _rise_with_winding(e: Expected, size: float) -> float:
    """Final rise when only the winding's part of it grows."""
    return e["thermal.rise"] + e["thermal.fast_rise"] * (size - 1.0)


CAUSES: tuple[Cause, ...] = (
    # --- wiring and sensor: seen before the loop is energised -------------------------------------
    _exchanged("B", "C", 3),
    _exchanged("A", "B", 4),
    _exchanged("A", "C", 5),
    Cause(
        # Reading counts the other way: s' = -s, so theta_e = -p s' + offset and the arm hangs at -hang.
        name="sensor reversed",
        words="the angle sensor counts the other way (its magnet or its sense is turned round)",
        sizes=NONE,
        effects=TURNED
        | commutation(direction=REVERSED, phase_order=FREE, offset=0.0)
        | commutation(hang_reading=Becomes(lambda e, _: _wrapped(-e["commutation.hang_reading"]), "- hang")),
        settled_by="see which way the reading goes when the shaft is turned by hand",
    ),
    _rotated("one", "B, C, A", 1),
    _rotated("two", "C, A, B", 2),
    Cause(
        name="offset",
        words="electrical offset {shift:+.2f} rad from the rig file's: rotor and magnet have moved",
        sizes=SHIFT,
        effects=TURNED | commutation(hang_reading=0.0, phase_order=0.0, offset=Shift(1.0)),
        settled_by="hold a field on phase A and read the sensor",
    ),
    Cause(
        name="sensor magnet turned",
        words="the sensor's magnet has turned on the shaft by {shift:.2g} rad",
        sizes=SHIFT,
        effects=TURNED
        | commutation(hang_reading=Shift(1.0), phase_order=FREE)
        | commutation(offset=Becomes(_turned_offset, "offset - p shift")),
        settled_by="mark the magnet against the shaft",
    ),
    Cause(
        name="arm turned",
        words="the arm sits turned on the shaft by {shift:.2g} rad",
        sizes=SHIFT,
        effects=commutation(hang_reading=Shift(1.0)),
        settled_by="let the arm hang and compare its mark",
    ),
    Cause(
        name="phase open",
        words="one phase is open: lead, winding or its half-bridge ({note})",
        sizes=NONE,
        shown="commutation.weakest_vector",
        effects=STRAY
        | commutation(direction=FREE, phase_order=FREE, pole_pairs=FREE, sensor_noise=FREE, distinct_codes=FREE)
        | commutation(weakest_vector=Becomes(lambda _, __: 0.0, "0")),
        settled_by="measure the resistance between the motor's three terminals, off",
    ),
    Cause(
        # Reading goes once round while the field goes p times: step angle 2 pi / (6 p).
        name="pole pairs",
        words="the motor has {measured:.0f} pole pairs where the rig file says {expected:.0f}",
        shown="commutation.pole_pairs",
        effects=TURNED
        | commutation(pole_pairs=1.0, step_angle=-1.0, phase_order=FREE, direction=FREE, hang_reading=0.0),
        settled_by="count the periods of a line voltage over one turn of the shaft",
    ),
    Cause(
        name="no supply at the bridge",
        words="no motion: no supply reaches the bridge",
        sizes=NONE,
        where="any",
        effects=STRAY | STILL | stiffness(supply_voltage=FREE),
        settled_by="measure the voltage at the bridge",
    ),
    Cause(
        name="shaft blocked",
        words="no motion: the shaft is blocked",
        sizes=NONE,
        effects=STRAY | STILL | commutation(weakest_vector=0.0),
        settled_by="turn the shaft by hand, phases off",
    ),
    Cause(
        name="bridge dead",
        words="no motion: bridge not enabled, or two phases open",
        sizes=NONE,
        effects=STRAY | STILL,
        settled_by="measure the enable pin and the motor's three terminals",
    ),
    # --- sensor reading ----------------------------------------------------------------------------
    Cause(
        name="noisier path",
        where="any",
        words="the angle is read by a noisier path than stated: {ratio:.1f} times the noise, {age_ms:.1f} ms older"
        "{like}",
        like=_like_pulse_width,
        sizes={"size": Size(low=1.5, high=1000.0), "age": Size(kind="shift", low=0.0, high=1.0)},
        shown="commutation.sensor_noise",
        effects=LOOP
        | commutation(sensor_noise=1.0, distinct_codes=FREE, sensor_age=AGED, step_spread=FREE)
        | commutation(pole_pairs=Near(0.45), step_angle=FREE)  # bent by less than half a pole pair
        | step(delay=FREE, natural_frequency=FREE, loop_period=FREE, loop_jitter=FREE)
        | stiffness(friction=FREE),
        settled_by="see which of the sensor's outputs the firmware reads",
    ),
    Cause(
        name="older reading",
        where="any",
        words="the reading is {shift_ms:.1f} ms older than stated, no noisier",
        sizes=LATER,
        effects=LOOP | commutation(sensor_age=Shift(1.0)) | step(delay=Shift(1.0), natural_frequency=FREE),
        settled_by="see when the firmware latches the reading",
    ),
    # --- drive: torque = 1.5 p flux x gain x (supply / 2) / (winding + driver resistance) ------------
    Cause(
        name="magnet flux",
        words="magnet flux about {percent:.0f} % {more} than the rig file says",
        effects=LOOP
        | torques(1.0)
        | stiffness(torque_per_ampere=1.0)
        | step(natural_frequency=0.5)
        | commutation(step_spread=FREE),
        settled_by="measure the voltage of the turned motor on open terminals (back-EMF)",
    ),
    Cause(
        # The arm is the torque standard: all torques measured by it come out as if it were as stated.
        name="arm torque",
        words="the arm's torque about {percent:.0f} % {more} than the rig file says",
        effects=LOOP | torques(-1.0) | stiffness(torque_per_ampere=-1.0, friction=-1.0) | step(natural_frequency=FREE),
        settled_by="weigh the arm and find its centre of mass",
    ),
    Cause(
        name="supply voltage",
        where="rig",
        words="supply about {percent:.0f} % {more} than the rig file says",
        effects=LOOP | torques(1.0) | stiffness(supply_voltage=1.0) | step(natural_frequency=0.5),
        settled_by="measure the supply's voltage while a motor holds",
    ),
    Cause(
        # Copper loss at constant current goes with the resistance, and so do all rises of the winding.
        name="winding resistance",
        words="winding resistance about {percent:.0f} % {more} than the rig file says",
        effects=LOOP
        | thermal(resistance=1.0, rise=1.0, fast_rise=1.0, slow_time=FREE)
        | torques(-1.0)
        | step(natural_frequency=-0.5, delay=FREE),
        settled_by="measure the winding cold, with four wires",
    ),
    Cause(
        name="driver resistance",
        where="any",
        words="resistance of bridge, leads or connectors too high: the whole circuit's is {percent:.0f} % {more}",
        sizes={"size": Size(low=1.0, high=20.0)},
        effects=LOOP | torques(-1.0) | step(natural_frequency=-0.5, delay=FREE) | thermal(driver_rise=FREE),
        settled_by="measure the drop across the bridge and the leads while a motor holds",
    ),
    Cause(
        name="static amplitude",
        where="any",
        words="a static field is about {percent:.0f} % {more} than asked for, the loop's is not",
        effects=stiffness(open_loop=1.0, slip_torque=1.0, ratio=-1.0)
        | commutation(step_spread=FREE)
        | whole("together"),
        settled_by="look at the three duties of a static field",
    ),
    # --- loop --------------------------------------------------------------------------------------
    Cause(
        name="loop gain",
        where="any",
        words="the firmware's loop gain is {ratio:.2g} times what the rig file says",
        effects=LOOP | stiffness(closed_loop=1.0, ratio=1.0) | step(natural_frequency=0.5),
        settled_by="read the gain out of the firmware",
    ),
    Cause(
        name="loop delay",
        where="any",
        words="the loop acts {shift_ms:.1f} ms later than the rig file says",
        sizes=LATER,
        effects=LOOP | step(delay=Shift(1.0), natural_frequency=FREE),
        settled_by="trace the firmware from reading to duties",
    ),
    Cause(
        # Met before anything of the loop could be measured, so that delay, gain, sense and inertia are not parted.
        name="loop not stable",
        where="any",
        sizes=NONE,
        words="the closed loop does not hold this motor within the limits (later, stiffer or less damped than stated)",
        effects=LOOP
        | stiffness(limits=HAPPENS)
        | step(limits=HAPPENS, natural_frequency=FREE)
        | together(limits=HAPPENS),
        settled_by="let the loop hold with a tenth of its gain and raise it slowly",
    ),
    Cause(
        name="loop period",
        where="any",
        words="the loop's period is {ratio:.2g} times what the rig file says",
        effects=LOOP | step(loop_period=1.0, delay=FREE, natural_frequency=FREE, loop_jitter=FREE),
        settled_by="trace the firmware's timer",
    ),
    Cause(
        name="loop clip",
        where="any",
        words="the loop's largest demand is {ratio:.2g} times what the rig file says",
        effects=stiffness(clip_torque=1.0) | step(large_rise_time=FREE, large_overshoot=FREE),
        settled_by="read the limit out of the firmware",
    ),
    # --- shaft -------------------------------------------------------------------------------------
    Cause(
        name="friction",
        words="Coulomb friction {ratio:.2g} times what the rig file says",
        effects=LOOP | stiffness(friction=1.0) | step(natural_frequency=FREE),
        settled_by="let the arm swing out, phases off",
    ),
    Cause(
        name="inertia",
        words="inertia on the shaft about {percent:.0f} % {more} than the rig file says",
        effects=LOOP | step(natural_frequency=-0.5),
        settled_by="let the arm swing, phases off, and take its period",
    ),
    # --- heat, at constant phase current -----------------------------------------------------------
    Cause(
        name="winding to housing",
        words="thermal resistance from winding to housing {ratio:.2g} times what the rig file says",
        effects=thermal(fast_rise=1.0, fast_time=1.0, rise=Becomes(_rise_with_winding, "+ change of fast rise")),
        settled_by="see the slot filling and the fit of the stator in its housing",
    ),
    Cause(
        name="housing to ambient",
        words="thermal resistance from housing to air {ratio:.2g} times what the rig file says",
        effects=thermal(slow_time=1.0, rise=Becomes(_rise_with_housing, "its slow part x size")),
        settled_by="see the mounting and the air round the motor",
    ),
    Cause(
        name="driver heat",
        where="any",
        words="driver runs {ratio:.2g} times as hot as the rig file lets expect",
        effects=thermal(driver_rise=1.0),
        settled_by="see the driver's cooling, and measure the drop across a closed switch",
    ),
)
