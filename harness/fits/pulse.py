"""Transition metrics from samples, in the terms of IEC 60469 and IEEE Std 181.

A transition goes from an initial to a final state level. Times are found by linear interpolation
between samples. Levels may be 0: what is not given is None, never "falsy".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from harness.base.errors import MeasurementError
from harness.nouns.array import Array

LOW_REFERENCE = 0.10
MID_REFERENCE = 0.50
HIGH_REFERENCE = 0.90
SETTLING_BAND = 0.02
"""Reference levels and tolerance band as fractions of the transition's amplitude (IEEE Std 181 defaults)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One transition: times (s) and values of the samples with the state levels it goes between."""

    t_s: Array
    y: Array
    initial: float
    final: float

    @property
    def amplitude(self) -> float:
        """Final minus initial level, signed."""
        return self.final - self.initial

    @property
    def fraction(self) -> Array:
        """Samples as a fraction of the transition: 0 at the initial, 1 at the final level."""
        return np.asarray((self.y - self.initial) / self.amplitude, dtype=np.float64)


def transition(t_s: ArrayLike, y: ArrayLike, initial: float, final: float) -> Transition:
    """Check samples (n times, n values `y`) and the initial and final level.

    Raises MeasurementError for what no metric can be taken from.

    >>> transition([0.0, 1.0, 2.0], [0.0, 0.5, 1.0], initial=0.0, final=1.0).amplitude
    1.0
    """
    times, values = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if times.ndim != 1 or times.shape != values.shape or times.size < 3:
        raise MeasurementError(f"a transition needs at least 3 samples, found {times.size} times, {values.size} values")
    if not (np.all(np.isfinite(times)) and np.all(np.isfinite(values)) and np.all(np.diff(times) > 0.0)):
        raise MeasurementError("a transition needs finite samples at rising times")
    if not (np.isfinite(initial) and np.isfinite(final)) or initial == final:
        raise MeasurementError(f"a transition needs two different levels, found {initial:g} and {final:g}")
    return Transition(t_s=times, y=values, initial=float(initial), final=float(final))


def crossings(t_s: Array, y: Array, level: float, *, rising: bool) -> Array:
    """All instants (s) at which the samples (n times, n values `y`) cross `level` in one sense, `rising` or falling.

    >>> crossings(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 0.0, 2.0]), 0.5, rising=True).tolist()
    [0.5, 2.25]
    """
    above = y >= level if rising else y <= level
    before = np.flatnonzero(~above[:-1] & above[1:])
    step = y[before + 1] - y[before]
    return np.asarray(t_s[before] + (level - y[before]) / step * (t_s[before + 1] - t_s[before]), dtype=np.float64)


def reference_instants(move: Transition) -> tuple[float, float, float]:
    """Instants (s) of the 10, 50 and 90 % reference levels.

    50 %: the first crossing; 10 %: the last before it; 90 %: the first after it, so that noise about a
    level does not count. Raises MeasurementError where a level is not crossed.

    >>> reference_instants(transition([0.0, 10.0, 20.0], [0.0, 1.0, 1.0], 0.0, 1.0))
    (1.0, 5.0, 9.0)
    """
    rising = {
        level: crossings(move.t_s, move.fraction, level, rising=True)
        for level in (LOW_REFERENCE, MID_REFERENCE, HIGH_REFERENCE)
    }
    for level, instants in rising.items():
        if instants.size == 0:
            raise MeasurementError(f"the trace does not cross {level:.0%} of its step: take it longer")
    middle = float(rising[MID_REFERENCE][0])
    before = rising[LOW_REFERENCE][rising[LOW_REFERENCE] <= middle]
    after = rising[HIGH_REFERENCE][rising[HIGH_REFERENCE] >= middle]
    if before.size == 0 or after.size == 0:
        raise MeasurementError("the trace does not cross 10, 50 and 90 % of its step in this order")
    return float(before[-1]), middle, float(after[0])


def rise_time(move: Transition) -> float:
    """Transition duration (s), 10 to 90 %; a falling step counts the same way. Raises as `reference_instants`.

    >>> rise_time(transition([0.0, 10.0, 20.0], [3.0, 1.0, 1.0], 3.0, 1.0))
    8.0
    """
    low, _, high = reference_instants(move)
    return high - low


def settling_instant(move: Transition, band: float = SETTLING_BAND) -> float:
    """Instant (s) of the last entry into final +- band (a fraction of the amplitude).

    Raises MeasurementError where the trace ends outside the band.

    >>> settling_instant(transition([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.5, 0.5, 1.0, 1.0], 0.0, 1.0), band=0.25)
    2.5
    """
    deviation = move.fraction - 1.0
    outside = np.flatnonzero(np.abs(deviation) > band)
    if outside.size == 0:
        return float(move.t_s[0])
    last = int(outside[-1])
    if last == deviation.size - 1:
        raise MeasurementError(f"the trace ends outside +-{band:.1%} of its step: not settled, take it longer")
    edge = band if deviation[last] > 0.0 else -band
    share = (deviation[last] - edge) / (deviation[last] - deviation[last + 1])
    return float(move.t_s[last] + share * (move.t_s[last + 1] - move.t_s[last]))


def settling_time(move: Transition, band: float = SETTLING_BAND) -> float:
    """Settling duration (s): from the 50 % crossing (IEEE Std 181) to the last entry into final +- band.

    Raises MeasurementError as `reference_instants` and `settling_instant` do.

    >>> t = np.linspace(0.0, 8.0, 8001)
    >>> round(settling_time(transition(t, 1.0 - np.exp(-t), 0.0, 1.0)), 3)  # ln 50 less ln 2 time constants
    3.219
    """
    return settling_instant(move, band) - reference_instants(move)[1]


def band_for(amplitude: float, noise: float) -> float:
    """Tolerance band as a fraction of the amplitude: 2 %, or 3 standard deviations of the noise if that is more.

    >>> round(band_for(0.06, 4e-4), 6), round(band_for(-0.06, 8e-4), 6)
    (0.02, 0.04)
    """
    return max(SETTLING_BAND, 3.0 * noise / abs(amplitude))
