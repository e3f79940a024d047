"""Where a slowly turning field takes the shaft: one regression over all sweeps of a motor.

    field = direction p x + offset + direction asin(r sin(x - hang) + friction) + curvature

x is the reading from a place near hanging; r the arm's largest torque over the field's, friction likewise,
with the sign of the motion; curvature p c (1 - cos x) is the part of the sensor's once-a-turn error that a
part of a turn can show, its other part looks like pole pairs and is in their budget. Two amplitudes part r
from p. Motion both ways parts friction; going on through cogging averages it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.errors import MeasurementError
from harness.measure.fit import Fit, inflation, nonlinear

Array = NDArray[np.float64]
FOLLOWS_RAD = 0.35
"""Electrical: a fit whose residuals spread more than this describes no shaft that follows (arbitrary)."""
RATIO_U = 0.02
"""Relative, of the ratio of two amplitudes' torques: saliency and the rounding of dead time (common practice,
no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """A field turned one way at one amplitude: its electrical angle and the reading from `zero`, rad (n each)."""

    amplitude: float
    field_rad: Array
    shaft_rad: Array

    @property
    def sense(self) -> float:
        """+1 where the field turns up."""
        return math.copysign(1.0, float(self.field_rad[-1] - self.field_rad[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """What the regression gives; `fit` holds the parameters in the order of `NAMES` (those that were free)."""

    direction: int
    fit: Fit
    names: tuple[str, ...]

    def value(self, name: str) -> float:
        """A parameter, 0 where it was not free."""
        return float(self.fit.values[self.names.index(name)]) if name in self.names else 0.0

    def u(self, name: str) -> float:
        """Its standard uncertainty from the fit."""
        return float(self.fit.u[self.names.index(name)]) if name in self.names else 0.0

    def deflection(self, amplitude_index: int, x: Array) -> Array:
        """Electrical angle by which the arm draws the shaft behind the field, without friction."""
        ratio = self.value("arm") * math.exp(self.value("log_ratio") * amplitude_index)
        return np.asarray(np.arcsin(np.clip(ratio * np.sin(x - self.value("hang")), -0.999, 0.999)), dtype=np.float64)


def sense_of(sweeps: Sequence[Sweep], least_travel_rad: float) -> int:
    """+1 or -1: the way the reading goes when the field turns up; 0 if the shaft did not move at all.

    Raises MeasurementError where it moved, but not with the field.
    """
    widest = max(float(np.ptp(sweep.shaft_rad)) for sweep in sweeps)
    if widest < least_travel_rad:
        return 0
    together = [float(np.corrcoef(sweep.field_rad, sweep.shaft_rad)[0, 1]) for sweep in sweeps
                if np.ptp(sweep.shaft_rad) > least_travel_rad / 2]
    if min(abs(r) for r in together) < 0.97 or len({r > 0 for r in together}) > 1:
        raise MeasurementError("the shaft moved, but back and forth and not on with the field")
    return 1 if together[0] > 0 else -1


def follow(
    sweeps: Sequence[Sweep], direction: int, *, has_arm: bool, log_ratio: float, curvature_u: float
) -> Following:
    """Fit all sweeps at once; the larger amplitude has index 0. `log_ratio`: of the torques, smaller's r over larger's.

    Raises MeasurementError where the shaft did not follow the field, or the points cannot part the parameters.
    """
    largest = max(sweep.amplitude for sweep in sweeps)
    x = np.concatenate([sweep.shaft_rad for sweep in sweeps])
    y = np.concatenate([sweep.field_rad for sweep in sweeps])
    small = np.concatenate([np.full(s.shaft_rad.size, float(s.amplitude < largest)) for s in sweeps])
    moving = direction * np.concatenate([np.full(s.shaft_rad.size, s.sense) for s in sweeps])
    names = ("pole_pairs", "offset", "friction", "friction_small", "curvature")
    if has_arm:
        names += ("hang", "arm", "log_ratio")

    def model(values: Array) -> Array:
        given = dict(zip(names, values, strict=True))
        ratio = given.get("arm", 0.0) * np.exp(given.get("log_ratio", 0.0) * small)
        friction = np.where(small > 0.0, given["friction_small"], given["friction"])
        torque = ratio * np.sin(x - given.get("hang", 0.0)) + moving * friction
        field = direction * given["pole_pairs"] * (x + given["curvature"] * (1.0 - np.cos(x))) + given["offset"]
        beliefs = [given["curvature"]] + ([given["log_ratio"]] if has_arm else [])
        return np.concatenate((field + direction * np.arcsin(np.clip(torque, -0.999, 0.999)), beliefs))

    slope, offset = np.polyfit(x, y, 1)
    start = [max(1.0, abs(float(slope)) - 0.8), float(offset), 0.03, 0.06, 0.0] + ([0.0, 0.8, log_ratio] if has_arm else [])
    points = np.concatenate((y, [0.0], [log_ratio] if has_arm else []))
    beliefs_u = [curvature_u] + ([RATIO_U] if has_arm else [])
    spread = 0.02
    for _ in range(2):  # the second time with the spread that the first has found
        fit = nonlinear(model, start, points, np.concatenate((np.full(y.size, spread), beliefs_u)))
        residuals = fit.residuals[: y.size]
        factor = max(inflation(part) for part in np.split(residuals, np.cumsum([s.shaft_rad.size for s in sweeps])[:-1]))
        found = float(np.std(residuals))
        if found > FOLLOWS_RAD:
            raise MeasurementError(f"the shaft did not follow the field: {math.degrees(found):.0f} electrical degrees of spread")
        spread, start = max(found * factor, 1e-6), fit.values.tolist()
    return Following(direction=direction, fit=fit, names=names)


def hold_positions(sweeps: Sequence[Sweep], fields_rad: Array, window_rad: float) -> tuple[Array, float]:
    """Positions without friction at the given fields, rad: mean of the ways up and down, and the points' uncertainty.

    Each way a straight line through the rows within +-`window_rad` (electrical) of the field.
    """
    ways, u = [], []
    for sweep in sweeps:
        places = []
        for field in fields_rad:
            near = np.abs(sweep.field_rad - field) < window_rad
            if np.count_nonzero(near) < 4:
                raise MeasurementError(f"no readings near the field at {math.degrees(field):.0f} electrical degrees")
            line = np.polynomial.Polynomial.fit(sweep.field_rad[near] - field, sweep.shaft_rad[near], 1)
            places.append(float(line(0.0)))
            rest = sweep.shaft_rad[near] - line(sweep.field_rad[near] - field)
            u.append(float(np.std(rest)) / math.sqrt(np.count_nonzero(near)))
        ways.append(places)
    return np.mean(np.asarray(ways), axis=0), math.sqrt(float(np.mean(np.square(u))) / max(len(ways), 1))
