"""The loop's stiffness, and the largest torques of field and loop: where a field slips, where the loop clips."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.stiffness.held_field import HeldFieldFit, branches, shaft_of, with_share
from harness.checks.stiffness.readings import HoldingReadings, middle_s
from harness.checks.stiffness.stimulus import AMPLITUDE, CLIPS
from harness.corrections.cogging import cogging_of
from harness.corrections.temperature import to_reference
from harness.fits.field_fit import Sweep
from harness.fits.regression import inflation, linear
from harness.nouns.array import Array
from harness.nouns.contract import FULL_AMPLITUDE, FULL_TURN
from harness.nouns.quantity import Contribution, Quantity, propagate, rectangular, shifted

STANDING_S = 0.1
"""End of the way into the clip, in which the arm stands."""
APPROACH, STOPPED, FOLLOWS = 0.15, 0.08, 0.5
"""Shares of the way to the clip: its beginning, on which the shaft still follows, and its end, on which it stands; and
of the set point's travel that the shaft's must be to count as following (all three arbitrary)."""
AT_CLIP = 0.9
"""Of where the clip leaves the arm: a sweep that comes so far is bent by it (arbitrary)."""
DEAD_SHARE = 0.1
"""Of the arm's torque when level: below it dead time bends the loop's (arbitrary)."""
LEAST_POINTS = 12
"""Outside the dead zone, for the five parameters of the loop (arbitrary)."""
SLIP_SPAN = 4
"""Rows of one smoothing of the slip, which is over soon."""
SLIPPING_RAD = (math.radians(45.0), math.radians(75.0))
"""Electrical, between field and shaft: where the largest torque shows best, and about a period of cogging long."""


def _at_reference(readings: HoldingReadings, warm: Quantity, name: str) -> Quantity:
    """A torque of observation `name` referred to 20 degC."""
    warmth = readings.warmth(middle_s(readings.observations[name]))
    factor = to_reference(readings.spec, readings.motor, warmth)
    return propagate(lambda k, r: k * r, warm.unit, k=warm, r=factor)


def closed_loop(readings: HoldingReadings, held: HeldFieldFit) -> Quantity:
    """Slope of the loop's torque over position error outside the dead zone, at 20 degC.

    error = (T_arm + inertia acceleration) / K + sense of T x dead zone + constant +- F / K + speed x lag: linear in
    its parameters.
    """
    moves, values = readings.loop_moves(), held.values
    _inside_clip(readings, float(np.max(np.abs(moves.shaft_rad))))
    torque = readings.arm_n_m.value * np.sin(shaft_of(moves.shaft_rad, values) - values["hang"])
    torque += values["inertia"] * moves.acceleration_rad_s2
    total = torque + moves.way * values["friction"] + held.damping_n_m_s.value * moves.speed_rad_s
    useful = np.abs(total) > DEAD_SHARE * readings.arm_n_m.value
    if np.count_nonzero(useful) < LEAST_POINTS:
        raise MeasurementError(
            f"{readings.motor}: the loop gives too little torque inside its clip for its stiffness to show: a lighter "
            "or shorter arm would show it"
        )
    design = (torque, moves.way, np.sign(total), np.ones_like(torque), moves.speed_rad_s)
    fit = linear(np.column_stack(design)[useful], (moves.command_rad - moves.shaft_rad)[useful])
    grown = inflation(fit.residuals)
    slope = 1.0 / float(fit.values[0])
    own = Contribution(
        u=slope**2 * float(fit.u[0]) * grown, dof=max(3.0, fit.dof / grown**2), remedy="more and slower sweeps"
    )
    fitted = Quantity(value=slope, unit="N m/rad", budget={f"{readings.motor} loop fit": own})
    return _at_reference(readings, with_share(fitted, readings.arm_n_m), readings.loop)


def _inside_clip(readings: HoldingReadings, reached_rad: float) -> None:
    """Raise MeasurementError where the loop's sweep took the arm to where its clip leaves it."""
    clips = [name for name in CLIPS if name in readings.observations]
    stands = min((abs(_standing(readings, name)) for name in clips), default=math.inf)
    if reached_rad > AT_CLIP * stands:
        raise MeasurementError(
            f"{readings.motor}: the loop's sweep went to its clip, {math.degrees(stands):.0f} degrees from hanging"
        )


def loop_points(readings: HoldingReadings, held: HeldFieldFit) -> dict[str, tuple[tuple[float, float], ...]]:
    """Torque of arm, damping and inertia over position error, a series a branch, thinned."""
    moves, values = readings.loop_moves(), held.values
    torque = readings.arm_n_m.value * np.sin(shaft_of(moves.shaft_rad, values) - values["hang"])
    torque += held.damping_n_m_s.value * moves.speed_rad_s + values["inertia"] * moves.acceleration_rad_s2
    return branches(moves.command_rad - moves.shaft_rad, torque, moves.way)


def largest_slipping(readings: HoldingReadings, held: HeldFieldFit) -> Quantity:
    """Largest torque of the field from the way to its slip, referred to amplitude 0.6 and 20 degC.

    While the amplitude falls the shaft sinks: at each reading Tmax = (arm torque - friction + damping speed +
    inertia acceleration) / sin(p deflection), taken where the field is close to giving way and still holds.
    Raises MeasurementError if it never slipped.
    """
    observation = readings.observations["slip"]
    if not observation.states("slipped"):
        raise MeasurementError(f"{readings.motor}: the field did not slip although its amplitude went to 0.05")
    zero = observation.number("zero_rad")
    phi = (float(observation.si("command")[0]) * math.tau / FULL_TURN - zero) * readings.sense
    sinking = Sweep(
        amplitude=1.0,
        t_s=observation.si("t"),
        field_rad=observation.si("amplitude") / FULL_AMPLITUDE,
        shaft_rad=readings.shaft(observation),
    ).smoothed(SLIP_SPAN)
    amplitude = sinking.field_rad

    def angle(values: Mapping[str, float]) -> Array:
        return phi - values["offset"] - readings.pole_pairs * shaft_of(sinking.shaft_rad, values)

    before = angle(held.values)
    chosen = (before > SLIPPING_RAD[0]) & (before < SLIPPING_RAD[1]) & (amplitude > readings.dead.value)
    if np.count_nonzero(chosen) < 5:
        raise MeasurementError(f"{readings.motor}: too few readings on the way to the slip")

    def peaks(values: Mapping[str, float], arm: float, dead: float) -> Array:
        torque = arm * np.sin(shaft_of(sinking.shaft_rad, values) - values["hang"]) - values["friction"]
        torque += held.damping_n_m_s.value * sinking.speed_rad_s + values["inertia"] * sinking.acceleration_rad_s2
        largest = torque / np.sin(angle(values)) * (AMPLITUDE - dead) / (amplitude - dead)
        return np.asarray(largest[chosen], dtype=np.float64)

    warm = propagate(
        lambda arm, dead, **values: float(np.mean(peaks(values, arm, dead))),
        "N m",
        arm=readings.arm_n_m,
        dead=readings.dead,
        **held.parameters,
    )
    each = peaks(held.values, readings.arm_n_m.value, readings.dead.value)
    grown = inflation(each)
    scatter = Contribution(
        u=float(np.std(each, ddof=1)) / math.sqrt(each.size) * grown,
        dof=max(3.0, (each.size - 1) / grown**2),
        remedy="a slower slip",
    )
    own = Quantity(value=0.0, unit="N m", budget={f"{readings.motor} slip readings": scatter})
    return _at_reference(readings, shifted(warm, own=own), "slip")


def largest_clipped(readings: HoldingReadings, held: HeldFieldFit) -> Quantity:
    """Torque of the loop at its clip: the arm stands where its torque and the friction carry it, both sides' mean.

    The friction is on the arm's side because it came there slowly and from below. Raises MeasurementError where it did
    not, or where the loop never came to its clip.
    """
    for name in CLIPS:
        _came_slowly(readings, name)
    sides = [(1.0, _standing(readings, "clip_up")), (-1.0, _standing(readings, "clip_down"))]

    def torque(arm: float, **values: float) -> float:
        stands = [sign * math.sin(float(shaft_of(np.asarray(at), values)) - values["hang"]) for sign, at in sides]
        return arm * sum(stands) / 2.0 + values["friction"]

    warm = propagate(torque, "N m", arm=readings.arm_n_m, **held.parameters)
    far = _carried_n_m(readings, held, abs(sides[0][1] - sides[1][1]) / 2.0)
    momentum = rectangular(
        -far / 2.0, far / 2.0, "N m", f"{readings.motor} momentum into the clip", "approach the clip more slowly"
    )
    # The arm stops at one of the flanks, however little the loop gives, and on the two sides independently.
    flank = cogging_of(readings.spec, readings.motor).field_share * held.peak_torque.value / math.sqrt(2.0)
    cogging = rectangular(0.0, flank, "N m", f"{readings.motor} cogging where the arm stands", "more places")
    return _at_reference(readings, shifted(warm, momentum=momentum, cogging=cogging), "clip_up")


def _came_slowly(readings: HoldingReadings, name: str) -> None:
    """Raise MeasurementError unless the shaft followed the set point at first and stood still in the end.

    Who stands still from the first has come there earlier, and perhaps beyond and back; who follows to the end is held
    by a loop that can do more.
    """
    observation = readings.observations[name]
    command = observation.si("command") * math.tau / readings.turn
    shaft = readings.shaft(observation)
    gone, way = np.abs(command - command[0]), abs(float(command[-1] - command[0]))

    def travel(start: float, end: float) -> float:
        """Of the shaft over a part of the set point's way, in parts of that."""
        inside = np.flatnonzero((gone >= start * way) & (gone <= end * way))
        ends = max(1, inside.size // 10)  # the mean of some readings at either end
        moved = float(np.mean(shaft[inside[-ends:]]) - np.mean(shaft[inside[:ends]]))
        return abs(moved) / ((end - start) * way)

    if way == 0.0 or travel(0.0, APPROACH) < FOLLOWS:
        raise MeasurementError(
            f"{readings.motor}: the loop was at its clip before the slow approach to it began: the arm may have come "
            "there from beyond, with friction on either side"
        )
    if travel(1.0 - STOPPED, 1.0) > FOLLOWS:
        raise MeasurementError(
            f"{readings.motor}: the loop held the arm as far as it was taken, {math.degrees(abs(shaft[-1])):.0f} "
            "degrees from hanging, and never came to its clip: a heavier or longer arm would show it"
        )


def _standing(readings: HoldingReadings, name: str) -> float:
    """Reading from hanging at which the arm stands at the end of an observation, rad."""
    observation = readings.observations[name]
    t = observation.si("t")
    return float(np.mean(readings.shaft(observation)[t > t[-1] - STANDING_S]))


def momentum_n_m(speed_rad_s: float, inertia_kg_m2: float, damping_n_m_s: float, spring_n_m: float) -> float:
    """Torque of the arm beyond the balance to which its momentum carries it on a shaft without cogging, N m.

    On cogging it may stop anywhere before. The arm comes at `speed_rad_s` against its own spring m g l cos x:
    J z'' + b z' + k z = 0 from z = -b v / k and z' = v to the first rest.
    """
    decay = damping_n_m_s / 2.0 / inertia_kg_m2
    omega = math.sqrt(max(spring_n_m / inertia_kg_m2 - decay**2, 1e-12))
    start = -damping_n_m_s * speed_rad_s / spring_n_m
    rise = (speed_rad_s + decay * start) / omega
    # z = e^(-decay t) (start cos + rise sin): first rest where its derivative passes zero.
    rest = math.atan2(omega * rise - decay * start, omega * start + decay * rise)
    swing = start * math.cos(rest) + rise * math.sin(rest)
    return max(0.0, spring_n_m * math.exp(-decay * rest / omega) * swing)


def _carried_n_m(readings: HoldingReadings, held: HeldFieldFit, stands_rad: float) -> float:
    """The same for this motor, from the speed of its approach to the clip."""
    observation = readings.observations["clip_up"]
    command = observation.si("command") * math.tau / readings.turn
    speed = np.abs(np.gradient(command, observation.si("t")))
    inertia, spring = held.values["inertia"], readings.arm_n_m.value * math.cos(stands_rad)
    if not np.any(speed > 0.0) or inertia <= 0.0 or spring <= 0.0:
        return 0.0
    return momentum_n_m(float(np.median(speed[speed > 0.0])), inertia, held.damping_n_m_s.value, spring)
