"""What is read off the steps in the terms of IEEE Std 181, with the scatter that friction gives it.

Friction holds the shaft anywhere in a band about where the loop alone would put it, and every metric refers to the
level that was achieved. Ten small steps show that scatter themselves. Two large ones do not: theirs is the scatter
of the small steps' levels times what a shift of the final level does to the metric.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from harness.base.errors import MeasurementError
from harness.checks.step.steps import LEVEL_S, Step
from harness.corrections.cogging import Cogging
from harness.fits import pulse
from harness.fits.regression import Fit, linear, straight_line
from harness.fits.swings import find_swings
from harness.nouns.array import Array
from harness.nouns.quantity import Quantity, normal, rectangular, shifted
from harness.rigfile import RigSpec

FEWEST_STEPS = 3
BATCHES = 50
CLOCK_S = 0.5e-6
"""Half of what the board's clock counts in."""
SHIFT = 0.005
"""Shift of a level, as a share of the step, over which a sensitivity is taken; arbitrary, about what friction does."""


def timing(t_s: Array, source: str) -> tuple[Quantity, Quantity]:
    """Period: slope of the sampling instants over the pass number. Jitter: standard deviation of single periods.

    In the board's own microseconds; whole microseconds are what its clock shows. The slope is fitted to means of
    BATCHES: an early pass follows a late one, so that single instants scatter by more than the slope does.
    """
    batch = max(1, t_s.size // BATCHES)
    used = t_s.size // batch * batch
    passes = np.arange(used, dtype=np.float64).reshape(-1, batch).mean(axis=1)
    fit = straight_line(passes, t_s[:used].reshape(-1, batch).mean(axis=1))
    periods = np.diff(t_s)
    clock = "resolution of the board's clock"
    period = normal(float(fit.values[1]), float(fit.u[1]), "s", f"{source}.loop_period scatter", dof=fit.dof)
    deviation = float(np.std(periods, ddof=1))
    jitter = normal(
        deviation, deviation / math.sqrt(2.0 * (periods.size - 1)), "s", f"{source}.loop_jitter scatter",
        dof=periods.size - 1,
    )  # fmt: skip
    return (
        # Where the instants scatter by more than the clock counts in, their rounding is in that scatter.
        period if deviation > CLOCK_S else shifted(period, resolution=rectangular(0.0, CLOCK_S / t_s.size, "s", clock)),
        # Two readings of the clock make a period: the triangle of both roundings has this much deviation.
        shifted(jitter, resolution=rectangular(0.0, CLOCK_S / math.sqrt(3.0), "s", clock)),
    )


def values_of(steps: Sequence[Step], value: Callable[[Step], float]) -> tuple[list[Step], Array]:
    """The steps that give a value, and their values. Raises MeasurementError when they are fewer than FEWEST_STEPS."""
    used, values, reason = [], [], ""
    for step in steps:
        try:
            values.append(value(step))
            used.append(step)
        except MeasurementError as error:
            reason = str(error)
    needed = min(FEWEST_STEPS, len(steps))
    if len(used) < needed:
        raise MeasurementError(f"{len(used)} of {len(steps)} steps can be used, {needed} are needed: {reason}")
    return used, np.array(values)


def scattered(steps: Sequence[Step], value: Callable[[Step], float], unit: str, source: str) -> Quantity:
    """Mean over steps, with their scatter. Steps that do not give the value are left out."""
    _, values = values_of(steps, value)
    fit = linear(np.ones((values.size, 1)), values)
    return normal(float(fit.values[0]), float(fit.u[0]), unit, source, dof=values.size - 1, remedy="more steps")


def with_cogging(seen: Quantity, cogging: Cogging, per_rad: float) -> Quantity:
    """With what cogging does to the levels of all steps alike; `per_rad` is what a level does to the quantity."""
    source = f"cogging where steps of {cogging.motor} end"
    return shifted(seen, cogging=rectangular(0.0, cogging.level_rad * abs(per_rad), seen.unit, source, "more places"))


def small_rise(steps: Sequence[Step], cogging: Cogging, source: str) -> Quantity:
    """Mean rise time of the small steps; a level that is off moves the 90 % crossing by that over the speed there."""
    seen = scattered(steps, rise, "s", source)
    size = float(np.mean([abs(step.size_rad) for step in steps]))
    # A sine between 10 and 90 % of a step that overshoots most of itself: the mean speed is near that at 90 %.
    return with_cogging(seen, cogging, 0.9 * seen.value / (0.8 * size))


def small_overshoot(steps: Sequence[Step], cogging: Cogging, source: str) -> Quantity:
    """Mean overshoot of the small steps; it is taken from the final level and referred to it."""
    seen = scattered(steps, overshoot, "1", source)
    size = float(np.mean([abs(step.size_rad) for step in steps]))
    return with_cogging(seen, cogging, (1.0 + seen.value) / size)


def levels(steps: Sequence[Step]) -> Fit:
    """Error left after a step, along its way: mean, droop a radian of place, pull to where the arm hangs (rad).

    The loop was closed where friction held the arm beside hanging: that pull is in the steps' sense on one way and
    against it on the other. What the fit leaves is where in its band friction held the shaft.
    """
    used, errors = values_of(steps, lambda step: step.way * (at_rest(step).final_rad - step.set_point_rad))
    way = np.array([step.way for step in used])
    place = np.array([step.way * step.place_rad for step in used])
    columns = [np.ones(way.size), place - place.mean(), way]
    return linear(np.column_stack(columns if way.size > len(columns) + 1 else columns[:1]), errors)


def at_rest(step: Step) -> Step:
    """The step itself. Raises MeasurementError where it did not come to rest: it has no final level."""
    if not step.still:
        raise MeasurementError(f"the shaft did not come to rest within {step.t_s[-1]:.2g} s: the loop hunts")
    return step


def rise(step: Step) -> float:
    """10 to 90 % of the way between the levels, s."""
    return pulse.rise_time(at_rest(step).transition())


def overshoot(step: Step) -> float:
    """First turning point beyond the final level, as a share of the step."""
    top = float(find_swings(step.t_s, step.angle_rad).angles_rad[0])
    return (top - at_rest(step).final_rad) / step.size_rad


def error_left(steps: Sequence[Step], cogging: Cogging, source: str, rest_rad: float = 0.0) -> Quantity:
    """Mean of final level less set point along the steps' way, with the arm hanging where the loop was closed.

    `rest_rad`: half the width of the band in which friction holds the shaft. Steps of one run swing alike and may all
    end on one side of it, where another run's would not: their mean is known no better than that of as many places
    anywhere in the band, however little they scatter.
    """
    fit = levels(steps)
    u = max(float(fit.u[0]), rest_rad / math.sqrt(3.0 * len(steps)))
    seen = normal(float(fit.values[0]), u, "rad", source, dof=fit.dof, remedy="more steps")
    return with_cogging(seen, cogging, 1.0)


def noise_of(steps: Sequence[Step], spec: RigSpec, motor: str) -> float:
    """Standard deviation of the reading at rest, rad: seen, else as the rig file states it."""
    rest = [float(np.std(step.angle_rad[step.t_s > step.t_s[-1] - LEVEL_S], ddof=1)) for step in steps if step.still]
    stated = spec.motor[motor].sensor.noise_rad
    return float(np.median(rest)) if rest else (stated.value if stated is not None else 0.0)


def _beside_design(steps: Sequence[Step], used: Sequence[Step], values: Array) -> float:
    """Standard uncertainty of the mean of `values` of the steps used, without what way and set size make of them."""
    sizes = dict(zip(map(id, steps), np.abs(np.diff([0.0, *(step.place_rad for step in steps)])), strict=True))
    design = np.array([[step.way, sizes[id(step)]] for step in used])
    columns = np.column_stack((np.ones(len(used)), design - design.mean(axis=0)))
    whole = len(used) > columns.shape[1] + 1 and np.linalg.matrix_rank(columns) == columns.shape[1]
    return float(linear(columns if whole else columns[:, :1], values).u[0])


def both(way: Array) -> bool:
    """Whether there are steps either way."""
    return bool(np.any(way > 0) and np.any(way < 0))


def settling(steps: Sequence[Step], noise_rad: float, half_cycle_s: float, source: str) -> Quantity:
    """Mean settling time. It jumps by half cycles, and few steps may show none of the jumps that there are.

    The share p of steps off the usual number of half cycles is estimated as (k + 1/2)/(n + 1), the mean under
    Jeffreys' prior (H. Jeffreys, 1946), so that ten steps alike do not say that an eleventh cannot differ.
    """

    def settling_s(step: Step) -> float:
        move = at_rest(step).transition()
        return pulse.settling_time(move, pulse.band_for(move.amplitude, noise_rad))

    used, values = values_of(steps, settling_s)
    n = values.size
    # Ways up and down settle apart by design, the arm pulls along one of them: each is compared with its own usual one.
    way = np.array([step.way for step in used])
    usual = np.full(n, np.median(values))
    if both(way):
        usual = np.where(way > 0, np.median(values[way > 0]), np.median(values[way < 0]))
    jumps = np.round((values - usual) / half_cycle_s)
    share = (np.count_nonzero(jumps) + 0.5) / (n + 1.0)
    # Half cycles that steps differ by have a variance of their own where they are more than one.
    spread = half_cycle_s * max(math.sqrt(share * (1.0 - share)), float(np.std(jumps, ddof=1)))
    u = math.hypot(_beside_design(steps, used, values - jumps * half_cycle_s), spread / math.sqrt(n))
    return normal(float(np.mean(values)), u, "s", f"{source} scatter", dof=n - 1, remedy="more steps")


def from_levels(
    large: Sequence[Step], value: Callable[[Step], float], small: Sequence[Step], unit: str, source: str, power: float
) -> Quantity:
    """Mean over large steps, with the scatter of the small steps' levels for theirs.

    A final level moves the metric as a shift of it does; an initial one makes the step itself larger or smaller,
    and the metric goes with the step's size to `power`.
    """
    _, values = values_of(large, value)
    fit = levels(small)
    squares = []
    for step, seen in zip(large, values, strict=True):
        final = (value(_shifted(step, SHIFT)) - value(_shifted(step, -SHIFT))) / (2.0 * SHIFT * step.size_rad)
        squares.append(final**2 + (power * seen / step.size_rad) ** 2)
    u = math.sqrt(float(np.mean(squares)) / len(large)) * fit.residual_deviation
    return normal(float(np.mean(values)), u, unit, source, dof=fit.dof, remedy="more steps")


def large_rise(large: Sequence[Step], small: Sequence[Step], cogging: Cogging, source: str) -> Quantity:
    """Rise time of large steps: under a clipped demand it goes with the root of their size, and with cogging."""
    seen = from_levels(large, rise, small, "s", source, power=0.5)
    width, source = cogging.rise_share * seen.value, f"cogging of {cogging.motor} where it starts"
    return shifted(seen, cogging=rectangular(0.0, width, "s", source, "more places"))


def large_overshoot(large: Sequence[Step], small: Sequence[Step], cogging: Cogging, source: str) -> Quantity:
    """Overshoot of large steps; as a share it hardly goes with their size."""
    seen = from_levels(large, overshoot, small, "1", source, power=0.0)
    size = float(np.mean([abs(step.size_rad) for step in large]))
    return with_cogging(seen, cogging, (1.0 + seen.value) / size)


def _shifted(step: Step, share: float) -> Step:
    """The step with its final level moved by a share of its size, the way there as it was."""
    end = step.t_s > step.t_s[-1] - LEVEL_S
    return replace(step, angle_rad=np.where(end, step.angle_rad + share * step.size_rad, step.angle_rad))
