"""How fast an oscillation dies out, with Coulomb friction told from viscous damping.

Between extremes the motion is about a centre that friction shifts by +-f (friction torque over
stiffness), so that each half cycle multiplies the distance from that centre by e^-d. The swing from
one extreme to the next, S, needs no knowledge of the centre:

    S[k+1] = S[k] e^-d - D,   D = 2 f (1 + e^-d)

(L. S. Jacobsen, R. S. Ayre, Engineering Vibrations, 1958: free vibration with combined damping.) The
plain logarithmic decrement takes the linear loss D for damping that grows as the swing shrinks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.errors import MeasurementError
from harness.measure import fit
from harness.measure.pulse import vertex
from harness.quantity import Quantity, propagate, scaled

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """Decay per half cycle `d`, the friction's share `coulomb` (f, in the unit of the extremes), and the fit."""

    per_half_cycle: Quantity
    coulomb: Quantity
    centre: Quantity
    extremes: int
    fit: fit.Fit


def extremes(t_s: ArrayLike, y: ArrayLike, least_swing: float) -> tuple[Array, Array]:
    """Instants and values of alternating maxima and minima that lie more than `least_swing` apart.

    Each is refined by a parabola. `least_swing` of 6 noise deviations keeps noise from counting
    (arbitrary). The first and last sample are no extremes.
    """
    times, values = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    found: list[int] = []
    top = bottom = 0
    sense = 0
    for index in range(values.size):
        top = index if values[index] > values[top] else top
        bottom = index if values[index] < values[bottom] else bottom
        if sense >= 0 and values[top] - values[index] > least_swing:
            found.append(top)
            sense, bottom = -1, index
        elif sense <= 0 and values[index] - values[bottom] > least_swing:
            found.append(bottom)
            sense, top = 1, index
    inner = [index for index in found if 0 < index < values.size - 1]
    refined = [vertex(times[i - 1 : i + 2], values[i - 1 : i + 2]) for i in inner]
    return np.array([t for t, _ in refined]), np.array([v for _, v in refined])


def from_extremes(values: Sequence[float], u_extreme: float, unit: str, source: str) -> Decay:
    """Decay from successive extremes of one free oscillation, each with standard uncertainty `u_extreme`.

    Least squares on the extremes themselves (swings share an extreme, so their errors are correlated).
    Needs 5 extremes to part damping from friction. Raises MeasurementError for fewer, or where they do
    not alternate.
    """
    points = np.asarray(values, dtype=np.float64)
    if points.size < 5:
        raise MeasurementError(
            f"{points.size} extremes cannot part damping from friction: expected at least 5, take a larger step"
        )
    swings = np.abs(np.diff(points))
    sense = np.sign(points[1] - points[0])
    if np.any(np.sign(np.diff(points)) != sense * (-1.0) ** np.arange(points.size - 1)):
        raise MeasurementError("the extremes of an oscillation do not alternate: the trace is not a free oscillation")
    line = np.polyfit(swings[:-1], swings[1:], 1)
    d_start = min(max(-math.log(min(max(float(line[0]), 0.02), 0.98)), 0.02), 4.0)

    def model(parameters: Array) -> Array:
        centre, first, d, friction = (float(p) for p in parameters)
        distance, out = first, []
        for k in range(points.size):
            out.append(centre + (-1.0) ** k * distance)
            distance = (distance - friction) * math.exp(-d) - friction
        return np.array(out)

    start = [float(np.mean(points[-2:])), float(points[0] - np.mean(points[-2:])), d_start, 0.0]
    if start[1] < 0.0:
        mirrored = from_extremes([-v for v in values], u_extreme, unit, source)
        return replace(mirrored, centre=scaled(mirrored.centre, -1.0, unit))
    found = fit.nonlinear(model, start, points, u_extreme)
    centre, _, decay, friction = found.quantities([unit, unit, "1", unit], source, remedy="more or larger steps")
    return Decay(per_half_cycle=decay, coulomb=friction, centre=centre, extremes=points.size, fit=found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """A damped sinusoid y = final + A e^(-s t) cos(w t + phase), from its fit."""

    natural_frequency: Quantity
    """Undamped, sqrt(w^2 + s^2), rad/s."""
    per_half_cycle: Quantity
    """s pi / w."""
    final: Quantity
    fit: fit.Fit


def ringing(t_s: ArrayLike, y: ArrayLike, unit: str, source: str, u_y: float | None = None) -> Ringing:
    """Fit a damped sinusoid to a free oscillation about its final level.

    Without `u_y` the scatter of the residuals, inflated for neighbours that move together, makes the
    uncertainty. Takes no account of Coulomb friction: from_extremes does. Raises MeasurementError where
    the trace shows less than one oscillation.
    """
    times, values = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if times.size < 8:
        raise MeasurementError(f"an oscillation needs at least 8 samples, found {times.size}")
    origin = float(times[0])
    elapsed = times - origin
    level = float(np.mean(values[-max(3, times.size // 5) :]))
    away = values - level
    signs = np.flatnonzero(np.diff(np.signbit(away)))
    largest = float(np.max(np.abs(away)))
    if signs.size < 2 or largest == 0.0:
        raise MeasurementError("the trace does not oscillate about its final level: no frequency can be taken from it")
    large = [i for i in signs if np.max(np.abs(away[i:])) > 0.05 * largest] or list(signs)
    spacing = float(elapsed[large[-1]] - elapsed[large[0]]) / max(len(large) - 1, 1)
    frequency = math.pi / (spacing if spacing > 0.0 else float(elapsed[-1]) / 2.0)
    half = elapsed.size // 2
    ratio = float(np.sqrt(np.mean(away[:half] ** 2) / max(float(np.mean(away[half:] ** 2)), 1e-30)))
    rate = max(math.log(max(ratio, 1.01)) / float(elapsed[half]), 1e-3 * frequency)

    def model(p: Array) -> Array:
        return np.asarray(
            p[0] + np.exp(-p[3] * elapsed) * (p[1] * np.cos(p[4] * elapsed) + p[2] * np.sin(p[4] * elapsed))
        )

    best: fit.Fit | None = None
    for factor in (1.0, 0.7, 1.4):  # the phase is linear, the frequency is not: three starts; arbitrary
        columns = np.exp(-rate * elapsed)
        phase = frequency * factor * elapsed
        waves = np.column_stack((np.ones_like(elapsed), columns * np.cos(phase), columns * np.sin(phase)))
        first = np.linalg.lstsq(waves, values, rcond=None)[0]
        try:
            tried = fit.nonlinear(model, [*first.tolist(), rate, frequency * factor], values, u_y)
        except MeasurementError:
            continue
        if best is None or tried.chi_squared < best.chi_squared:
            best = tried
    if best is None:
        raise MeasurementError("no damped sinusoid fits the trace: take a longer or a larger step")
    inflated = best
    if u_y is None:
        factor = fit.inflation(best.residuals)
        inflated = replace(best, covariance=best.covariance * factor**2, dof=best.dof / factor**2)
    final, _, _, decay, omega = inflated.quantities([unit, unit, unit, "1/s", "rad/s"], source, "a longer trace")
    if omega.value < 0.0:  # cos is even: the fit may come out on either side
        omega = scaled(omega, -1.0, "rad/s")
    return Ringing(
        natural_frequency=propagate(_undamped, "rad/s", rate=decay, omega=omega),
        per_half_cycle=propagate(lambda s, w: s * math.pi / w, "1", s=decay, w=omega),
        final=final, fit=inflated,
    )


def _undamped(rate: float, omega: float) -> float:
    """Undamped angular frequency from the damped one and the decay rate."""
    return math.hypot(rate, omega)
