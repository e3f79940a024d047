"""What stiffness does to a motor: sweeps of a held field at two amplitudes, a slip, a sweep of the loop, its clip."""

from __future__ import annotations

from dataclasses import dataclass

from harness.checks.strength import largest_amplitude, require
from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

AMPLITUDE = 0.6
"""Amplitude that torques of a held field are stated for."""
SWEEPS = {"field_30": 0.3, "field_60": AMPLITUDE}
"""Sweeps of the held field by the names of their observations. Two amplitudes, so that the sensor's error cancels at
one shaft angle; the smaller still carries the arm at REACH_RAD."""
LOOP, LOOP_INSIDE = "loop", "loop_inside"
"""Names of the loop's sweep; of the one that takes its place where the first went to the clip."""
CLIPS = ("clip_up", "clip_down")
"""Names of the ways to the loop's clip."""
REACH_RAD = 0.40
LOOP_REACH_RAD = 0.50
SLIP_REACH_RAD = 0.60
CLIP_RAD = (0.10, 1.25)
"""Set points between which the loop comes to its clip: so slowly all along that the arm comes from below, wherever it
is. Beyond, an arm's torque hardly grows any more, and its own spring no longer brings it back."""
BY_SUPPLY = ("torque_per_ampere", "supply_voltage")
"""What is measured by a supply that is an instrument, and by nothing else."""
NO_SUPPLY = "needs an [instrument.*] of class supply: current and voltage of the motor"
"""Why they are not, without one."""
OF_TRAVEL = 0.8
"""Of the travel that the rig allows, the most to which the arm is taken (arbitrary)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What is done to one motor; angles from hanging, rad."""

    small: tuple[str, float]
    large: tuple[str, float]
    """Name and amplitude of each sweep of the field."""
    reach_rad: float
    loop_reach_rad: float
    """Once more, and less far, where the loop comes to its clip on the way."""
    slip_reach_rad: float
    clip_rad: tuple[float, float]


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """The same for every rig. Raises MissingCapability where a limit does not allow the field or the loop's clip."""
    allowed = largest_amplitude(spec, motor, declared.max_static_duty)
    require(allowed, AMPLITUDE, "a field that carries the arm")
    require(allowed, declared.amplitude_limit, "the clip of the firmware's loop")
    small, large = SWEEPS.items()
    return Stimulus(
        small=small,
        large=large,
        reach_rad=REACH_RAD,
        loop_reach_rad=LOOP_REACH_RAD,
        slip_reach_rad=SLIP_REACH_RAD,
        clip_rad=(CLIP_RAD[0], min(CLIP_RAD[1], OF_TRAVEL * spec.limits.travel_rad)),
    )
