"""Where a slowly turning field takes the shaft: one regression over all sweeps of a motor.

    field = direction p (x + e(x)) + offset + direction asin(r sin(x - hang) + drag)
    x = reading + lag speed

The reading is counted from a place near hanging, and is late by `lag`, which no amplitude changes, where a weaker field
draws the shaft the further behind; r the arm's largest torque over the field's; drag is friction with the
sign of the motion, damping times speed and inertia times acceleration, in parts of the same torque. e(x) =
once cos x + twice cos 2x is the part of the sensor's error that a part of a turn can show; its other part looks
like pole pairs and is in their budget. Two amplitudes part r from p, motion both ways parts friction, and going
on through cogging averages it. Where nobody says that an arm hangs there, one may all the same: r sin(x - hang) is then
sought as pull_sin sin x + pull_cos cos x, which a shaft without a load leaves at nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from harness.base.errors import MeasurementError
from harness.fits.regression import Fit, inflation, nonlinear
from harness.nouns.array import Array

FOLLOWS_RAD = 0.35
"""Electrical: a fit whose residuals spread more than this describes no shaft that follows (arbitrary)."""
SPAN = 5
"""Rows of one smoothing (arbitrary: three of them are half a swing of a held arm)."""
LEAST_PULL, PULLED_U = 0.05, 4.0
"""Of a load that nobody stated: least torque over the field's, and over its own u, to count (arbitrary)."""
LEAST_LAG_S, LAGS_U = 2e-3, 4.0
"""Least lag that counts, and over its own u: to fit a lesser one would only widen all else (arbitrary)."""
RATIO_U = 0.02
"""Relative, of the ratio of two amplitudes' torques: saliency and the rounding of dead time (common practice,
no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """A field turned one way at one amplitude: instants, its electrical angle, the reading from `zero` (n each)."""

    amplitude: float
    t_s: Array
    field_rad: Array
    shaft_rad: Array

    @property
    def sense(self) -> float:
        """+1 where the field turns up."""
        return math.copysign(1.0, float(self.field_rad[-1] - self.field_rad[0]))

    def smoothed(self, rows: int = SPAN) -> SmoothedSweep:
        """Field and motion of the shaft, all of them means over the same number of rows three times over."""
        step_s = float(np.median(np.diff(self.t_s)))
        span = max(1, min(rows, (self.t_s.size - 1) // 6))
        once = _mean(self.shaft_rad, span)
        twice = _mean(once, span)
        return SmoothedSweep(
            field_rad=_mean(_mean(_mean(self.field_rad, span), span), span)[::span],
            shaft_rad=_mean(twice, span)[::span],
            speed_rad_s=_change(twice, span)[::span] / (span * step_s),
            acceleration_rad_s2=_change(_change(once, span), span)[::span] / (span * step_s) ** 2,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SmoothedSweep:
    """A sweep (n each) that has been smoothed; still an equation of motion, as every term went through one filter."""

    field_rad: Array
    shaft_rad: Array
    speed_rad_s: Array
    acceleration_rad_s2: Array


def _mean(values: Array, span: int) -> Array:
    """Mean over each `span` intervals (trapezia)."""
    total = np.concatenate(([0.0], np.cumsum((values[1:] + values[:-1]) / 2.0)))
    return np.asarray(_change(total, span) / span, dtype=np.float64)


def _change(values: Array, span: int) -> Array:
    """What the values grow by over each `span` intervals: `span` times the mean of their derivative by rows."""
    return np.asarray(values[span:] - values[:-span], dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldFit:
    """What the regression gives; `fit` holds the parameters in the order of `NAMES` (those that were free)."""

    direction: int
    fit: Fit
    names: tuple[str, ...]
    lag_s: float
    """By which the reading is late, with its standard uncertainty, whether it counts in this fit or not."""
    lag_u_s: float
    scatter_rad: float
    """Electrical: what a point at the larger amplitude strays by, with what it shares with its like on the way back."""

    def value(self, name: str) -> float:
        """A parameter by its name, 0 where it was not free."""
        return float(self.fit.values[self.names.index(name)]) if name in self.names else 0.0

    def u(self, name: str) -> float:
        """The standard uncertainty of a parameter, by its name, from the fit; 0 where it was not free."""
        return float(self.fit.u[self.names.index(name)]) if name in self.names else 0.0

    @property
    def arm(self) -> float:
        """The arm's largest torque over the field's at the larger amplitude."""
        return (
            math.hypot(self.value("pull_sin"), self.value("pull_cos"))
            if "pull_sin" in self.names
            else self.value("arm")
        )

    @property
    def hang_rad(self) -> float:
        """Where the arm hangs, from zero; no more than a direction where none does."""
        if "pull_sin" in self.names:
            return math.atan2(-self.value("pull_cos"), self.value("pull_sin"))
        return self.value("hang")

    @property
    def hang_u(self) -> float:
        """Standard uncertainty of `hang_rad`, rad."""
        if "pull_sin" not in self.names:
            return self.u("hang")
        slope = np.array([math.sin(self.hang_rad), -math.cos(self.hang_rad)]) / max(self.arm, 1e-9)
        return math.sqrt(max(float(slope @ self._pull_covariance() @ slope), 0.0))

    @property
    def pulled(self) -> bool:
        """Whether something pulls on the shaft as an arm does, although nobody says that one hangs there."""
        if "pull_sin" not in self.names:
            return False
        pull = np.array([self.value("pull_sin"), self.value("pull_cos")])
        away = float(pull @ np.linalg.solve(self._pull_covariance(), pull))
        return self.arm > LEAST_PULL and away > PULLED_U**2

    def _pull_covariance(self) -> Array:
        at = [self.names.index(name) for name in ("pull_sin", "pull_cos")]
        return np.asarray(self.fit.covariance[np.ix_(at, at)], dtype=np.float64)

    def u_given_sensor(self, name: str) -> float:
        """Standard uncertainty of a parameter, by its name, if the sensor's errors were known (conditional normal
        distribution).
        """
        own, others = self.names.index(name), [self.names.index("once"), self.names.index("twice")]
        covariance = self.fit.covariance
        cross = covariance[own, others]
        explained = cross @ np.linalg.solve(covariance[np.ix_(others, others)], cross)
        return math.sqrt(max(float(covariance[own, own] - explained), 0.0))

    def unloaded(self, motion: SmoothedSweep, sense: float) -> Array:
        """Where the shaft would be without arm, drag and inertia, at the larger amplitude, rad from zero (n).

        `sense` is that of the sweep whose motion it is.
        """
        shaft = motion.shaft_rad + self.value("lag") * motion.speed_rad_s
        torque = self.arm * np.sin(shaft - self.hang_rad)
        torque = torque + self.value("friction") * self.direction * sense
        torque = (
            torque + self.value("damping") * motion.speed_rad_s + self.value("inertia") * motion.acceleration_rad_s2
        )
        lag = np.arcsin(np.clip(torque, -0.999, 0.999))
        return np.asarray(shaft + lag / self.value("pole_pairs"), dtype=np.float64)


def sense_of(sweeps: Sequence[Sweep], least_travel_rad: float) -> int:
    """+1 or -1: the way the reading goes when the field turns up; 0 if the shaft went less than `least_travel_rad`.

    Raises MeasurementError where it moved, but not with the field.

    >>> there = np.linspace(0.0, 5.0, 20)
    >>> sense_of([Sweep(amplitude=0.6, t_s=there, field_rad=there, shaft_rad=-there / 11.0)], 0.02)
    -1
    """
    widest = max(float(np.ptp(sweep.shaft_rad)) for sweep in sweeps)
    if widest < least_travel_rad:
        return 0
    together = [
        float(np.corrcoef(sweep.field_rad, sweep.shaft_rad)[0, 1])
        for sweep in sweeps
        if np.ptp(sweep.shaft_rad) > least_travel_rad / 2
    ]
    if min(abs(r) for r in together) < 0.97 or len({r > 0 for r in together}) > 1:
        raise MeasurementError("the shaft moved, but back and forth and not on with the field")
    return 1 if together[0] > 0 else -1


def follow(
    sweeps: Sequence[Sweep],
    direction: int,
    *,
    has_arm: bool,
    log_ratio: tuple[float, float],
    error_u: tuple[float, float],
) -> FieldFit:
    """Fit all sweeps at once; the larger amplitude has index 0.

    `direction`: as `sense_of` has it; `has_arm`: whether one is known to pull on the shaft; `log_ratio`: of the
    torques, smaller's r over larger's, and its u, to which RATIO_U comes; `error_u`: u of `once`
    and `twice`, rad.

    Raises MeasurementError where the shaft did not follow the field, or the points cannot part the parameters.
    """
    largest = max(sweep.amplitude for sweep in sweeps)
    motions = [sweep.smoothed() for sweep in sweeps]
    sizes = [motion.shaft_rad.size for motion in motions]
    x = np.concatenate([motion.shaft_rad for motion in motions])
    y = np.concatenate([motion.field_rad for motion in motions])
    speed = np.concatenate([motion.speed_rad_s for motion in motions])
    acceleration = np.concatenate([motion.acceleration_rad_s2 for motion in motions])
    small = np.repeat([float(sweep.amplitude < largest) for sweep in sweeps], sizes)
    moving = np.repeat([direction * sweep.sense for sweep in sweeps], sizes)
    slope, middle = np.polyfit(x, y, 1)
    names: tuple[str, ...] = ("pole_pairs", "offset", "friction", "damping", "inertia", "once", "twice", "log_ratio")
    names += ("hang", "arm") if has_arm else ("pull_sin", "pull_cos")
    log_torques, log_torques_u = log_ratio

    def model(names: Sequence[str], values: Array) -> Array:
        given = {"lag": 0.0, **dict(zip(names, values, strict=True))}
        shaft = x + given["lag"] * speed
        drag = given["friction"] * moving + given["damping"] * speed + given["inertia"] * acceleration
        ratio = np.exp(given["log_ratio"] * small)
        pull = (
            given["arm"] * np.sin(shaft - given["hang"])
            if has_arm
            else given["pull_sin"] * np.sin(shaft) + given["pull_cos"] * np.cos(shaft)
        )
        torque = ratio * (pull + drag)
        error = given["once"] * np.cos(shaft) + given["twice"] * np.cos(2.0 * shaft)
        field = direction * given["pole_pairs"] * (shaft + error) + given["offset"]
        behind = direction * np.arcsin(np.clip(torque, -0.999, 0.999))
        return np.concatenate((field + behind, (given["once"], given["twice"], given["log_ratio"])))

    points = np.concatenate((y, (0.0, 0.0, log_torques)))
    beliefs_u = (*error_u, math.hypot(RATIO_U, log_torques_u))
    ends = np.cumsum(sizes)[:-1]

    def fitted(names: Sequence[str], start: list[float]) -> tuple[Fit, Array]:
        """The fit of these parameters, and by how much its points stray."""
        spread = np.where(small > 0.0, 0.04, 0.02)
        for _ in range(2):  # the second time with the spreads that the first has found
            fit = nonlinear(partial(model, names), start, points, np.concatenate((spread, beliefs_u)))
            residuals = fit.residuals[: y.size]
            alone = max(inflation(part) for part in np.split(residuals, ends))
            factor = alone * math.sqrt(1.0 + common(np.split(x, ends), np.split(residuals / spread, ends)))
            for level in (0.0, 1.0):
                spread[small == level] = max(float(np.std(residuals[small == level])) * factor, 1e-6)
            start = fit.values.tolist()
        return fit, spread

    start = [max(1.0, abs(float(slope)) - 0.8), float(middle), 0.03, 0.02, 0.003, 0.0, 0.0, log_torques]
    start += [0.0, 0.8] if has_arm else [0.0, 0.0]
    fit, spread = fitted(names, start)
    late, late_spread = fitted((*names, "lag"), [*fit.values.tolist(), 0.0])
    lag_s, lag_u_s = float(late.values[-1]), float(late.u[-1])
    if abs(lag_s) > max(LEAST_LAG_S, LAGS_U * lag_u_s):
        names, fit, spread = (*names, "lag"), late, late_spread
    scatter = float(np.std(fit.residuals[: y.size]))
    if scatter > FOLLOWS_RAD:
        raise MeasurementError(f"the shaft strays from the field by {math.degrees(scatter):.0f} electrical degrees")
    return FieldFit(
        direction=direction, fit=fit, names=names, lag_s=lag_s, lag_u_s=lag_u_s, scatter_rad=float(np.min(spread))
    )


def common(places: Sequence[Array], residuals: Sequence[Array]) -> float:
    """Correlation of what two sweeps that follow each other leave over at one place, 0 to 1.

    `places` and `residuals` have an array a sweep, there and back in turn. Cogging pushes the same way whichever way
    the shaft moves, so that sweeps there and back are not independent: the variance of what both determine is larger
    by 1 + this.

    >>> place = np.linspace(0.0, 1.0, 50)
    >>> there, back = np.sin(40.0 * place), np.sin(40.0 * place[::-1])
    >>> [round(common([place, place[::-1]], [there, way * back]), 3) for way in (1.0, -1.0)]
    [1.0, 0.0]
    """
    pairs = []
    for first in range(0, len(places) - 1, 2):
        order = np.argsort(places[first + 1])
        there, back = residuals[first], np.interp(places[first], places[first + 1][order], residuals[first + 1][order])
        pairs.append((float(np.mean(there * back)), math.sqrt(float(np.mean(there**2) * np.mean(back**2)))))
    scale = math.fsum(size for _, size in pairs)
    return max(0.0, math.fsum(product for product, _ in pairs) / scale) if scale > 0.0 else 0.0


def hold_positions(following: FieldFit, sweeps: Sequence[Sweep], fields_rad: Array) -> tuple[Array, float]:
    """Unloaded positions at the given fields, rad: mean of a sweep up and one down, and what they scatter by alone.

    The scatter is seen in the distance of the two ways; what both share is not in it.
    """
    ways = []
    for sweep in sweeps:
        motion = sweep.smoothed()
        order = np.argsort(motion.field_rad)
        ways.append(np.interp(fields_rad, motion.field_rad[order], following.unloaded(motion, sweep.sense)[order]))
    apart = (ways[0] - ways[-1]) / 2.0
    number = np.arange(fields_rad.size)
    rest = apart - np.polynomial.Polynomial.fit(number, apart, 1)(number)
    return np.mean(np.asarray(ways), axis=0), math.sqrt(float(np.sum(rest**2)) / (fields_rad.size - 2))
