"""What the swings of the steps say about the loop: decay, frequency, delay, margin; referred to 20 degC."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.step.metrics import scattered
from harness.checks.step.steps import INSIDE_CLIP, LEVEL_S, Step
from harness.corrections import inertia
from harness.corrections.cogging import Cogging
from harness.corrections.temperature import estimate, room, to_reference
from harness.fits.regression import linear
from harness.fits.swings import Swings, decay_per_half_cycle, demand_lag, find_onset, find_swings
from harness.nouns import gravity
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity, normal, propagate, rectangular, shifted
from harness.nouns.results import Unmeasured
from harness.rigfile import RigSpec, unstated

ONSET_PHASE_RAD = math.pi / 3.0
ONSET_PER_DECAY_RAD = 0.042
"""Shift of the extrapolated onset for one unit of decay, times the frequency (own simulation)."""
USUAL_DECAY = 0.1
"""Where the steps show none; arbitrary, a usual loop's, and as uncertain."""
ONSET_HALF_WIDTH_S = 0.10e-3
"""How far the extrapolated onset may stand off: dead time and friction bend the first push (own simulation)."""
BEFORE_STEPS_W_S = ((1.0, 25.0), (0.15, 10.0))
"""Half of what the holding checks before this one may put into a winding (W, s): between nothing and twice this."""


def swings(steps: Sequence[Step]) -> list[Swings]:
    """Swings of the steps that have them, the first push among them: it starts from rest as a swing does.

    Where the demand was clipped the push was another one; it is left out.
    """
    pushed_swings = []
    for step in steps:
        try:
            swing = find_swings(step.t_s, step.angle_rad)
        except MeasurementError:
            continue
        pushed = Swings(
            instants_s=np.concatenate(([0.0], swing.instants_s)),
            angles_rad=np.concatenate(([step.initial_rad], swing.angles_rad)),
            stops=swing.stops,
        )
        pushed_swings.append(swing if step.clipped else pushed)
    return pushed_swings


def to_20_c(spec: RigSpec, motor: str, observation: Observation) -> Quantity:
    """Factor that refers the loop's torque to 20 degC."""
    reading_c = observation.number("room_c") if observation.states("room_c") else None
    warmth = estimate(spec, motor, room(spec, reading_c), BEFORE_STEPS_W_S, before_k=1.5)
    return to_reference(spec, motor, warmth)


def decay(steps: Sequence[Step], factor: Quantity, cogging: Cogging, source: str) -> Quantity:
    """Viscous decay; what warmth does to it stays in the budget (half of the factor's distance from 1).

    So does cogging where all steps turn at like places of it, which no scatter among them shows.
    """
    seen, _ = decay_per_half_cycle(swings(steps), source)
    warm = 0.5 * abs(factor.value - 1.0) * abs(seen.value)
    return shifted(
        seen,
        warmth=rectangular(0.0, warm, "1", "winding warmer than 20 degC"),
        cogging=rectangular(
            0.0,
            cogging.decay(mean_size_rad(steps)),
            "1",
            f"cogging that all steps of {cogging.motor} meet alike",
            "more places",
        ),
    )


def mean_size_rad(steps: Sequence[Step]) -> float:
    """Mean size of steps, as large as their first swings."""
    return float(np.mean([abs(step.size_rad) for step in steps]))


def rise_at_20_c(seen: Quantity, factor: Quantity) -> Quantity:
    """A rise time with the loop's torque at 20 degC: it goes with the root of what accelerates the shaft.

    That is the loop, and up to a tenth of it the arm.
    """
    part = rectangular(0.95, 0.05, "1", "share of the loop in what drives a step")
    return propagate(
        lambda rise, warm, part: rise / math.sqrt(1.0 + part * (warm - 1.0)), "s", rise=seen, warm=factor, part=part
    )


def natural_frequency(
    small: Sequence[Step], large: Sequence[Step], spec: RigSpec, cogging: Cogging, factor: Quantity, source: str
) -> Quantity:
    """Frequency from the first turning points, the loop's share of the stiffness referred to 20 degC.

    Where friction ends the small steps at once, from what rings of the large ones inside the clip. Cogging makes the
    loop stiffer or softer by where in its period the steps turn.
    """
    try:
        seen = scattered(
            small, lambda step: find_swings(step.t_s, step.angle_rad).frequency_rad_s, "rad/s", f"{source} scatter"
        )
    except MeasurementError:
        if not large:
            raise
        seen = ringing(large, f"{source} scatter")
    u = cogging.frequency_share_u(mean_size_rad(small or large)) * seen.value
    about = normal(0.0, u, "rad/s", f"cogging about the steps of {cogging.motor}", remedy="more places")
    seen = shifted(seen, cogging=about)
    share = loop_share(spec, cogging.motor, seen.value)
    return propagate(
        lambda w, warm, part: w * math.sqrt(1.0 + part * (warm - 1.0)), "rad/s", w=seen, warm=factor, part=share
    )


def ringing(large: Sequence[Step], source: str) -> Quantity:
    """Frequency of large steps after their demand has left the clip: turning points a half cycle apart, rad/s.

    Raises MeasurementError for too few of them.
    """
    rows, instants = [], []
    for place, step in enumerate(large):
        full = np.flatnonzero(np.abs(step.demand) >= INSIDE_CLIP * np.max(np.abs(step.demand)))
        inside_s = float(step.t_s[full[-1]]) if step.clipped else 0.0
        turns = find_swings(step.t_s, step.angle_rad).instants_s[:-1]
        for number, instant in enumerate(turns[turns > inside_s]):
            rows.append([float(number), *(float(place == other) for other in range(len(large)))])
            instants.append(float(instant))
    if len(rows) < len(large) + 3:
        raise MeasurementError(
            f"{len(rows)} turning points of {len(large)} large steps inside the clip, {len(large) + 3} are needed: "
            "friction or damping ends the swing at once"
        )
    fit = linear(rows, instants)
    half_cycle_s, u_s = float(fit.values[0]), float(fit.u[0])
    w = math.pi / half_cycle_s
    return normal(w, w * u_s / half_cycle_s, "rad/s", source, dof=fit.dof, remedy="larger steps")


def loop_share(spec: RigSpec, motor: str, frequency_rad_s: float) -> Quantity:
    """Share of the loop in the stiffness that brings the shaft back; the arm has the rest."""
    entry, load = spec.motor[motor], spec.motor[motor].load
    if load is None or load.mass_kg is None or load.length_m is None or entry.rotor_inertia_kg_m2 is None:
        return rectangular(0.9, 0.1, "1", "share of the load in the stiffness", "state the load and the inertias")
    return propagate(
        lambda m, length, rotor, arm, g: 1.0 - m * g * length / ((rotor + m * length**2 + arm) * frequency_rad_s**2),
        "1", g=gravity.local(), m=load.mass_kg.quantity("kg"), length=load.length_m.quantity("m"),
        rotor=entry.rotor_inertia_kg_m2.quantity("kg m2"),
        arm=unstated.own_inertia(spec, motor),
    )  # fmt: skip


def rest_half_width_rad(steps: Sequence[Step], spec: RigSpec, motor: str, frequency_rad_s: float) -> float:
    """Half the band in which friction holds the shaft at rest: Tc / (J w^2), else what the swings lose to friction.

    Raises MeasurementError where neither the rig file tells it nor the swings do.
    """
    friction, turning = spec.motor[motor].coulomb_friction_n_m, inertia.turning(spec, motor)
    if friction is not None and turning is not None:
        return friction.value / (turning.value * frequency_rad_s**2)
    try:
        _, held = decay_per_half_cycle(swings(steps), f"{motor}.step friction")
    except MeasurementError as error:
        keys = f"motor.{motor}.coulomb_friction_n_m and rotor_inertia_kg_m2"
        raise MeasurementError(
            f"how wide friction's band of rest is: state {keys}; the swings do not tell: {error}"
        ) from error
    return max(held.value, 0.0) + held.u


Results = Mapping[str, Quantity | Unmeasured]
"""What the steps have given so far, by the names of the check's quantities."""


def measured(results: Results, name: str, need: str) -> Quantity:
    """A result that another one is made with. Raises MeasurementError where it has no number: `need`, and why."""
    result = results[name]
    if isinstance(result, Unmeasured):
        raise MeasurementError(f"{need}: {result.reason}")
    return result


def delay(steps: Sequence[Step], observation: Observation, results: Results, source: str) -> Quantity:
    """Lag of the demand behind the reading it answers, plus onset of motion after the demand's first change."""
    known = results["decay"]
    damping, u_damping = (known.value, known.u) if isinstance(known, Quantity) else (USUAL_DECAY, USUAL_DECAY)
    w = measured(results, "natural_frequency", "the onset of motion needs the frequency").value
    spacing = float(np.median(np.diff(observation.si("t"))))
    clip = observation.number("clip")
    turn = observation.whole("counts_per_turn")
    band = 3.0 * observation.whole("noise_count") * math.tau / turn

    def onset(step: Step) -> float:
        early = step.before_s > -LEVEL_S
        if float(np.ptp(step.before_rad[early])) > band:
            raise MeasurementError("the shaft was not at rest before the step")
        late = step.t_s <= ONSET_PHASE_RAD / w
        t = np.concatenate((step.before_s[early], step.t_s[late]))
        angle = np.concatenate((step.before_rad[early], step.angle_rad[late]))
        return find_onset(t, angle, frequency_rad_s=w, decay=damping, begin_s=0.0)

    lags = []
    for step in steps:
        demand = np.where(np.abs(step.demand) < INSIDE_CLIP * clip, step.demand, math.nan)
        moving = step.t_s < 4.0 * math.tau / w
        try:
            lags.append(demand_lag(step.t_s[moving], step.angle_rad[moving], demand[moving], longest_s=12.0 * spacing))
        except MeasurementError:
            continue
    if len(lags) < 3:
        raise MeasurementError("fewer than 3 steps inside the clip: expected a demand that follows the reading")
    lag = float(np.median(lags))
    seen = scattered(steps, lambda step: onset(step) + lag, "s", f"{source}.delay scatter")
    grid = rectangular(0.0, 0.05 * spacing if lag % spacing > 0.01 * spacing else 0.0, "s", "grid of trial lags")
    bent = rectangular(0.0, ONSET_HALF_WIDTH_S, "s", "first push bent by friction and dead time", "a stiffer loop")
    damped = normal(
        0.0, ONSET_PER_DECAY_RAD / w * u_damping, "s", f"decay in the onset of {source}", remedy="more steps"
    )
    return shifted(seen, grid=grid, bent=bent, damped=damped)


def margin(results: Results, spec: RigSpec, motor: str) -> Quantity:
    """Damping there is over damping that the delay takes, as the swings show it.

    1 + d / ((pi/2) w (delay + T/2) share): dead time bends the swings, and the margin at their size with them.
    """
    names = ("decay", "natural_frequency", "delay", "loop_period")
    parts = {name: measured(results, name, f"needs {name}") for name in names}
    return propagate(
        lambda d, w, late, period, share: 1.0 + d / (math.pi / 2.0 * w * (late + period / 2.0) * share), "1",
        d=parts["decay"], w=parts["natural_frequency"], late=parts["delay"], period=parts["loop_period"],
        share=loop_share(spec, motor, parts["natural_frequency"].value),
    )  # fmt: skip
