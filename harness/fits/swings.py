"""A shaft that swings to rest under viscous and Coulomb friction: turning points, decay, onset of motion, lag.

Between two turning points Coulomb friction is constant, so each half cycle is a damped cosine about a
centre that stands friction / stiffness beyond the point of rest, on the side the shaft comes from. The
swing S from one turning point to the next needs no knowledge of that centre:

    S[k+1] = q S[k] - c,   q = e^-d,   c = 2 (1 + q) friction / stiffness

(L. S. Jacobsen, R. S. Ayre, Engineering Vibrations, 1958: free vibration with combined damping.) Fitting
a plain damped sine to such a record puts friction into the decay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.fits import sliding
from harness.fits.regression import linear
from harness.nouns.array import Array
from harness.nouns.quantity import Quantity, normal

SMALLEST_SWING_RAD = 0.010
"""Swings below this do not count: dead time and cogging bend them. Arbitrary, some 25 times a usual sensor noise."""
SMALLEST_RETURN_RAD = 0.003
"""A turning point counts once the shaft has come back from it this far. Arbitrary, above smoothed noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Swings:
    """Turning points of one free oscillation, in time order; the last may be where friction holds the shaft."""

    instants_s: Array
    angles_rad: Array
    stops: bool
    """The last point is where it came to rest: an angle to count, not an instant."""

    @property
    def sizes_rad(self) -> Array:
        """Swings between neighbours, positive."""
        return np.asarray(np.abs(np.diff(self.angles_rad)), dtype=np.float64)

    @property
    def frequency_rad_s(self) -> float:
        """Damped frequency from the first three turning points, or from two where the third is missing."""
        turns = self.instants_s[:-1] if self.stops else self.instants_s
        if turns.size < 2:
            raise MeasurementError("fewer than 2 turning points: friction or damping ends the swing at once")
        last = min(2, turns.size - 1)
        return math.pi * last / float(turns[last] - turns[0])


def smoothed(y: Array, half_window: int) -> Array:
    """Local cubic smoothing of equally spaced samples `y` (n), 2 `half_window` + 1 at a time.

    A. Savitzky, M. J. E. Golay, 1964; edges are fitted too. Raises MeasurementError for fewer samples.

    >>> smoothed(np.arange(1.0, 9.0) ** 3, 3).round(6).tolist()[:4]
    [1.0, 8.0, 27.0, 64.0]
    """
    window = 2 * max(2, half_window) + 1
    if y.size < window:
        raise MeasurementError(f"a record of {y.size} samples is too short to smooth over {window}")
    return sliding.fitted(y, window, 3)


def turning_indices(y: Array, least_return: float, least_first: float) -> list[int]:
    """Indices of alternating extremes of a smoothed signal `y` (n).

    Each counts once the signal has come back from it by `least_return`; the first must lie
    `least_first` away from where the record begins.

    >>> turning_indices(np.array([0.0, 1.0, 2.0, 1.0, 0.0, 1.0, 0.9]), 0.5, 1.0)
    [2, 4]
    """
    turns: list[int] = []
    high = low = 0
    sense = 0
    for i in range(1, y.size):
        high = i if y[i] > y[high] else high
        low = i if y[i] < y[low] else low
        if sense == 0:
            if abs(y[i] - y[0]) >= least_first:
                sense = 1 if y[i] > y[0] else -1
                high = low = i
        elif sense > 0 and y[high] - y[i] >= least_return:
            turns.append(high)
            sense, low = -1, i
        elif sense < 0 and y[i] - y[low] >= least_return:
            turns.append(low)
            sense, high = 1, i
    return turns


def turning_point(t_s: Array, y: Array, near_s: float, frequency_rad_s: float) -> tuple[float, float]:
    """Instant (s) and value of the turning point near an instant, from samples about it (n instants, n values `y`).

    y = top + side (1 - cos(w (t - turn))) with a curvature of its own on each side, because friction
    changes sign there: a parabola would be pulled towards the steeper side by some friction / (stiffness w), w the
    frequency. Gauss-Newton over the four parameters. Raises MeasurementError for too few samples on a side.

    >>> t = np.linspace(0.0, 0.2, 401)
    >>> turn, top = turning_point(t, np.cos(50.0 * (t - 0.1)), 0.11, 50.0)
    >>> round(turn, 6), round(top, 6)
    (0.1, 1.0)
    """
    turn = near_s
    top = before = after = 0.0
    for _ in range(8):
        use = np.abs(t_s - turn) <= 0.9 / frequency_rad_s
        phase = frequency_rad_s * (t_s[use] - turn)
        bend = 1.0 - np.cos(phase)
        early = phase < 0.0
        if np.count_nonzero(early) < 4 or np.count_nonzero(~early) < 4:
            raise MeasurementError("fewer than 4 samples on a side of a turning point: sample faster or record longer")
        slope = -frequency_rad_s * np.sin(phase) * np.where(early, before, after)
        columns = [np.ones_like(phase), bend * early, bend * ~early]
        if before == 0.0:  # first pass: the three linear parameters alone
            cubic = np.append(np.linalg.lstsq(np.column_stack(columns), y[use], rcond=None)[0], 0.0)
        else:
            cubic = np.linalg.lstsq(np.column_stack([*columns, slope]), y[use], rcond=None)[0]
        top, before, after, shift = (float(value) for value in cubic)
        limit = 0.2 / frequency_rad_s
        turn += min(max(shift, -limit), limit)
        if before != 0.0 and 0.0 < abs(shift) < 1e-7:
            break
    return turn, top


def find_swings(t_s: Array, angle_rad: Array) -> Swings:
    """Turning points of a record from a set-point change to rest (n instants, n readings of the angle).

    Raises MeasurementError when there are fewer than two: friction or damping ends the motion at once.

    >>> t = np.linspace(0.0, 1.0, 2001)
    >>> swings = find_swings(t, 0.1 * (1.0 - np.exp(-8.0 * t) * np.cos(50.0 * t)))
    >>> round(swings.frequency_rad_s, 1), swings.sizes_rad[:2].round(3).tolist()
    (50.0, [0.098, 0.059])
    """
    spacing = float(np.median(np.diff(t_s)))
    rough = smoothed(angle_rad, 4)
    turns = turning_indices(rough, SMALLEST_RETURN_RAD, SMALLEST_SWING_RAD)
    if len(turns) < 2:
        raise MeasurementError(
            f"{len(turns)} turning points after a step, 2 are needed: friction or damping ends the swing at once; "
            "take a larger step"
        )
    half_cycle_s = float(np.mean(np.diff(t_s[turns[:3]])))
    frequency = math.pi / half_cycle_s
    rough = smoothed(angle_rad, max(3, round(half_cycle_s / spacing / 8.0)))
    turns = turning_indices(rough, SMALLEST_RETURN_RAD, SMALLEST_SWING_RAD)
    reach = 0.95 / frequency
    turning_points = [
        turning_point(t_s, angle_rad, float(t_s[i]), frequency)
        for i in turns
        if t_s[0] + reach < t_s[i] < t_s[-1] - reach
    ]
    rest = float(np.mean(angle_rad[t_s > t_s[-1] - 0.5 * half_cycle_s]))
    instants = [instant for instant, _ in turning_points] + [float(t_s[-1])]
    angles = [angle for _, angle in turning_points] + [rest]
    return Swings(instants_s=np.array(instants), angles_rad=np.array(angles), stops=True)


def decay_per_half_cycle(swings: Sequence[Swings], source: str) -> tuple[Quantity, Quantity]:
    """Viscous decay d per half cycle (1) and friction / stiffness (rad), common to several oscillations.

    Least squares of S[k+1] = q S[k] - c over all pairs of neighbouring swings above SMALLEST_SWING_RAD, each
    residual weighted by S[k+1]^2: cogging gives and takes the same energy at a turning point whatever the swing,
    so that small swings scatter more (as 1/S), and dead time bends them more as well; with this weight ten steps
    scatter a third of what they do with none, and as much as stated (own simulation).

    Uncertainty by leaving out one oscillation at a time (jackknife, m - 1 degrees of freedom): swings that share
    a turning point are correlated, oscillations are not. Raises MeasurementError for fewer
    than 3 oscillations with such a pair.

    >>> def rings(first: float) -> Swings:  # each swing 0.8 of the one before, less 4 mrad for friction
    ...     sizes = [first]
    ...     while 0.8 * sizes[-1] > 0.02:
    ...         sizes.append(0.8 * sizes[-1] - 0.004)
    ...     turns = np.cumsum([0.0, *(size * (-1.0) ** k for k, size in enumerate(sizes))])
    ...     return Swings(instants_s=np.arange(turns.size) * 0.06, angles_rad=turns, stops=False)
    >>> decay, friction = decay_per_half_cycle([rings(0.05), rings(0.06), rings(0.07)], "swings")
    >>> round(decay.value, 4), round(friction.value, 5)  # -ln 0.8; 4 mrad / (2 (1 + 0.8))
    (0.2231, 0.00111)
    """
    pairs = []
    for each in swings:
        sizes = each.sizes_rad
        good = sizes >= SMALLEST_SWING_RAD
        use = good[:-1] & good[1:]
        if np.any(use):
            pairs.append(np.column_stack((sizes[:-1][use], sizes[1:][use])))
    if len(pairs) < 3:
        raise MeasurementError(
            f"{len(pairs)} steps with two swings above {SMALLEST_SWING_RAD * 1e3:.0f} mrad, 3 are needed to part "
            "damping from friction: take larger steps"
        )

    def solve(chosen: list[Array]) -> Array:
        rows = np.vstack(chosen)
        design = np.column_stack((rows[:, 0], np.ones(len(rows))))
        q, minus_c = linear(design, rows[:, 1], rows[:, 1] ** -2.0, absolute=False).values
        q = max(float(q), 1e-3)
        return np.array([-math.log(q), -minus_c / (2.0 * (1.0 + q))])

    whole = solve(pairs)
    without = np.array([solve(pairs[:i] + pairs[i + 1 :]) for i in range(len(pairs))])
    m = len(pairs)
    u = np.sqrt((m - 1) / m * np.sum((without - np.mean(without, axis=0)) ** 2, axis=0))
    return (
        normal(float(whole[0]), float(u[0]), "1", source, dof=m - 1, remedy="more steps"),
        normal(float(whole[1]), float(u[1]), "rad", source, dof=m - 1, remedy="more steps"),
    )


def find_onset(t_s: Array, angle_rad: Array, *, frequency_rad_s: float, decay: float, begin_s: float) -> float:
    """Instant (s) at which the first movement of the angle, run backwards, leaves the level before it.

    The record (n instants, n angles) runs from well before `begin_s` (the set-point change) to about a sixth of a cycle
    after it. Model: a level, then the start of the swing whose frequency and decay are known; its size is free,
    because friction takes an unknown part of the first push.

    Raises MeasurementError where nothing begins to move, or too few samples tell.

    >>> t_s = np.arange(-0.06, 0.021, 1e-3)
    >>> angle_rad = 0.06 * (1.0 - np.cos(52.0 * np.clip(t_s - 2.3e-3, 0.0, None)))
    >>> round(find_onset(t_s, angle_rad, frequency_rad_s=52.0, decay=0.0, begin_s=0.0), 4)
    0.0023
    """
    damping = decay / math.pi
    before = angle_rad[t_s < begin_s]
    after = angle_rad[t_s >= begin_s]
    if before.size < 5 or after.size < 8:
        raise MeasurementError(
            f"{before.size} and {after.size} samples before and after a set-point change: expected 5 and 8"
        )

    def misfit(instants: Array) -> Array:
        """Residual sum of squares for each trial instant; size and level by a straight line."""
        phase = frequency_rad_s * np.clip(t_s[None, :] - instants[:, None], 0.0, None)
        shape = 1.0 - np.exp(-damping * phase) * (np.cos(phase) + damping * np.sin(phase))
        x = shape - shape.mean(axis=1, keepdims=True)
        y = angle_rad - angle_rad.mean()
        size = (x @ y) / np.maximum((x * x).sum(axis=1), 1e-30)
        return np.asarray(float(y @ y) - size * (x @ y), dtype=np.float64)

    spacing = float(np.median(np.diff(t_s)))
    last = float(t_s[-1]) - 4.0 * spacing
    trial = np.arange(begin_s - 5.0 * spacing, last, 0.25 * spacing)
    best = float(trial[int(np.argmin(misfit(trial)))])
    if not trial[0] < best < trial[-1]:
        raise MeasurementError("no beginning of motion after a set-point change: the shaft did not move with the step")
    reach = 0.5 * spacing
    near = np.array([best - reach, best, best + reach])
    left = misfit(near)
    curvature = (left[0] - 2.0 * left[1] + left[2]) / reach**2
    if curvature <= 0.0:
        raise MeasurementError("the beginning of motion after a set-point change cannot be placed")
    return float(best - 0.5 * (left[2] - left[0]) / reach / curvature)


def demand_lag(t_s: Array, angle_rad: Array, demand: Array, *, longest_s: float) -> float:
    """Lag (s) of a demand behind the angle it answers, by regression on the interpolated angle (n of each).

    demand(t) = constant - gain angle(t - lag): for each lag up to `longest_s` on a grid of a tenth of the sample
    spacing a straight line is fitted, and the lag of the smallest residual taken. 0 where the demand was made from
    the very reading beside it. Samples at the clip must have been taken out (NaN).

    >>> t = np.arange(200) * 1e-3
    >>> round(demand_lag(t, np.sin(50.0 * t), -2.0 * np.sin(50.0 * (t - 2e-3)), longest_s=5e-3), 6)
    0.002
    """
    spacing = float(np.median(np.diff(t_s)))
    lags = np.arange(0.0, longest_s + 0.05 * spacing, 0.1 * spacing)
    use = np.isfinite(demand) & (t_s >= t_s[0] + longest_s)
    if np.count_nonzero(use) < 20:
        raise MeasurementError("fewer than 20 samples inside the clip: take a smaller step or a longer record")
    y = demand[use] - np.mean(demand[use])
    left = np.empty(lags.size)
    for place, lag in enumerate(lags):
        x = np.interp(t_s[use] - lag, t_s, angle_rad)
        x = x - np.mean(x)
        left[place] = float(y @ y - (x @ y) ** 2 / max(float(x @ x), 1e-30))
    return float(lags[int(np.argmin(left))])
