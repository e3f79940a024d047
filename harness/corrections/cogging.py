"""What cogging may do to a loop about its set points, and to an arm under a field: bounds, by its largest torque.

Nobody states where a motor's magnets are drawn to: a torque that changes its sign with every half period of the shaft's
way is known by its peak alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.rigfile import RigSpec, unstated
from harness.rigfile.unstated import COGGED_AMPLITUDE

USUAL_SHIFT_RAD = 2e-3
"""Peak over the loop's stiffness, where the rig file states no gain (arbitrary)."""
USUAL_LIMIT = 0.5
"""Of the loop's amplitude, where neither is stated (arbitrary)."""
PERIODS_PER_POLE_PAIR = 4
"""Least periods of cogging in a turn, per pole pair: there are as many as the least common multiple of slots and poles,
which is never less than twice the poles where slots and poles differ (any textbook)."""
LEVEL_SHARE = 0.4
"""What a mean level of steps to ten places keeps of the shift of one (own simulation)."""
RISE_SHARE = 0.28
"""Of the rise of a clipped step, what falls into the first period, where cogging adds to the torque or takes from it
(own simulation)."""
SWINGS_SHARE = 1.3
"""Of the energy that a period holds over a first swing's, what a decay is off by: a second swing has less of it (own
estimate)."""
SWINGING_SHARE = 0.26
"""Of cogging over the field's torque, what swinging that no smoothing takes out leaves in the largest torque (own
simulation: rms 0.05 to 0.26 at 90 to 180 periods a turn, as a rectangle of this half-width has 0.15; twice that at 24
to 60)."""
FEW_PERIODS, FEW = 75.0, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cogging:
    """Of one motor, by its largest torque."""

    motor: str
    shift_rad: float
    """How far it may draw the shaft from where the loop holds it: over the loop's stiffness."""
    clip_share: float
    """Over the loop's largest torque."""
    field_share: float
    """Over the torque of a field of amplitude COGGED_AMPLITUDE."""
    periods: float
    """In a turn of the shaft, at least."""

    @property
    def level_rad(self) -> float:
        """Half-width of a mean level of steps that all come to rest at like places of it."""
        return LEVEL_SHARE * self.shift_rad

    @property
    def rise_share(self) -> float:
        """Half-width of a clipped step's rise time, as a share of it, for where it starts."""
        return RISE_SHARE * self.clip_share

    @property
    def swinging_share(self) -> float:
        """Half-width of a field's largest torque, as a share, for the swinging that cogging keeps up under a sweep."""
        return SWINGING_SHARE * self.field_share * (FEW if self.periods < FEW_PERIODS else 1.0)

    def decay(self, swing_rad: float) -> float:
        """Half-width of the decay of swings of this amplitude: what a period holds, T / N, over k A^2 / 2."""
        return SWINGS_SHARE * 2.0 * self.shift_rad / (self.periods * swing_rad**2)

    def frequency_share_u(self, swing_rad: float) -> float:
        """Standard uncertainty of the frequency of swings of this amplitude, as a share of it.

        Describing function of T sin(N x + phase): the stiffness that a swing of amplitude A sees is off by
        2 T J1(N A) / A at most, the frequency by half of that share; by chance in the phase, 1 / sqrt(2) of it. For
        large N A, J1 lies below sqrt(2 / (pi N A)); it never is above N A / 2.

        >>> cogging = Cogging(motor="leaf", shift_rad=1.27e-3, clip_share=0.0, field_share=0.0, periods=132)
        >>> round(cogging.frequency_share_u(0.06), 4)
        0.0042
        """
        turned = self.periods * swing_rad
        return self.shift_rad / swing_rad * min(math.sqrt(2.0 / (math.pi * turned)), turned / 2.0) / math.sqrt(2.0)


def cogging_of(spec: RigSpec, motor: str) -> Cogging:
    """As the rig file states it, at its upper end; a usual motor's where it does not.

    A field's torque goes with its amplitude, and the loop's with its demand: of a usual share no torque is needed.
    """
    entry, firmware = spec.motor[motor], spec.firmware
    share = unstated.cogging_share(spec, motor)
    gain, limit = firmware.gain_per_rad, firmware.amplitude_limit
    return Cogging(
        motor=motor,
        shift_rad=USUAL_SHIFT_RAD if gain is None else share * COGGED_AMPLITUDE / gain.value,
        clip_share=share * COGGED_AMPLITUDE / (USUAL_LIMIT if limit is None else limit.value),
        field_share=share,
        periods=float(entry.cogging_periods or PERIODS_PER_POLE_PAIR * entry.pole_pairs),
    )
