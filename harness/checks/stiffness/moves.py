"""A sweep back and forth, cut into its legs and smoothed so that an equation of motion can be fitted to it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from harness.base.errors import MeasurementError
from harness.fits.field_fit import Sweep
from harness.nouns.array import Array

SETTLING_RAD = 0.06
"""Travel after a reversal in which the shaft may still stick: dropped. Friction of a tenth of the field's torque
holds it for 0.02 rad at 10 pole pairs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """A sweep, leg by leg, smoothed (n each): what was commanded, where the shaft was and how it moved."""

    command_rad: Array
    shaft_rad: Array
    speed_rad_s: Array
    acceleration_rad_s2: Array
    way: Array
    """+1 or -1: the sense of the motion."""

    @staticmethod
    def of(t_s: Array, command_rad: Array, shaft_rad: Array, span_s: float, units: float = 1.0) -> Moves:
        """Split at the reversals, drop what may stick after each (`units`: command for one of the shaft), smooth
        over `span_s` at a time.

        Raises MeasurementError if nothing is left.
        """
        span = max(1, round(span_s / float(np.median(np.diff(t_s)))))  # rows: a slow loop of called firmware has fewer
        sense = np.sign(np.gradient(command_rad))
        bounds = [0, *(np.flatnonzero(np.diff(sense) != 0) + 1), command_rad.size]
        ways, parts = [], []
        for start, end in itertools.pairwise(bounds):
            gone = np.abs(command_rad[start:end] - command_rad[start]) / units
            kept = np.arange(start, end)[gone > SETTLING_RAD]
            if sense[start] == 0 or kept.size < 6 * span:
                continue
            leg = Sweep(amplitude=1.0, t_s=t_s[kept], field_rad=command_rad[kept], shaft_rad=shaft_rad[kept])
            parts.append(leg.smoothed(span))
            ways.append(np.full(parts[-1].shaft_rad.size, sense[start]))
        if not parts:
            raise MeasurementError("a sweep of the shaft is too short to be fitted")
        return Moves(
            command_rad=np.concatenate([part.field_rad for part in parts]),
            shaft_rad=np.concatenate([part.shaft_rad for part in parts]),
            speed_rad_s=np.concatenate([part.speed_rad_s for part in parts]),
            acceleration_rad_s2=np.concatenate([part.acceleration_rad_s2 for part in parts]),
            way=np.concatenate(ways),
        )
