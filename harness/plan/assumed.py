"""What firmware declares, as far as a rig file lets it be known: no board is asked."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.checks.strength import largest_amplitude
from harness.nouns.contract import FULL_TURN, Declared
from harness.rigfile import RigSpec, unstated

LOOP_PERIOD_S = 1e-3
"""Of a loop that nobody states (common practice, no source)."""
ANY_DUTY = 1.0
"""The largest duty that may stand: no rig file states the firmware's own limit."""
OF_LIMITS = 0.999
"""Of the largest amplitude that the rig's limits allow, what an unstated clip is taken for: by rounding not more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """What is taken for something that only the board could tell."""

    key: str
    """Where a rig file states it; the firmware's own word where none can."""
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Declarations:
    """For each motor what its firmware is taken to declare, and what of that the rig file does not state."""

    of: Mapping[str, Declared]
    assumptions: tuple[Assumption, ...]

    def for_motor(self, motor: str) -> Declared:
        """For a motor; of all together, for the first, as a run has it."""
        return self.of.get(motor) or next(iter(self.of.values()))


def declarations(spec: RigSpec) -> Declarations:
    """By [firmware] and [motor.NAME] of a rig file; each value that it leaves out is told."""
    found: dict[str, Assumption] = {}

    def assumed(key: str, words: str) -> None:
        found.setdefault(key, Assumption(key=key, words=words))

    declared = {motor: _declared(spec, motor, assumed) for motor in spec.motors}
    assumed("max_static_duty", "any duty may stand, as far as [limits] let it")
    assumed("field_steps", "a field can stand anywhere")
    assumed("contract", "the firmware offers every part of the drive contract that a check calls")
    return Declarations(of=declared, assumptions=tuple(found.values()))


def _declared(spec: RigSpec, motor: str, assumed: Callable[[str, str], None]) -> Declared:
    entry, firmware = spec.motor[motor], spec.firmware
    if firmware.loop_period_s is None:
        assumed("firmware.loop_period_s", f"{LOOP_PERIOD_S * 1e3:g} ms")
    if firmware.carrier_hz is None:
        assumed("firmware.carrier_hz", f"{unstated.CARRIER_HZ / 1e3:g} kHz")
    if firmware.amplitude_limit is None:
        assumed("firmware.amplitude_limit", "as much as [limits] allow")
    if firmware.dead_time_s is None:
        assumed("firmware.dead_time_s", f"anywhere up to {unstated.DEAD_TIME_S * 1e6:g} us")
    if entry.direction is None:
        assumed(f"motor.{motor}.direction", "1")
    if entry.electrical_offset_rad is None:
        assumed(f"motor.{motor}.electrical_offset_rad", "whatever the firmware declares")
    allowed = largest_amplitude(spec, motor, ANY_DUTY).value
    clip = firmware.amplitude_limit.value if firmware.amplitude_limit is not None else OF_LIMITS * min(1.0, allowed)
    offset = entry.electrical_offset_rad.value if entry.electrical_offset_rad is not None else 0.0
    direction = entry.direction or 1
    turns = -direction * offset / (math.tau * entry.pole_pairs)  # of electrical zero, of a mechanical turn
    return Declared(
        contract=firmware.contract,
        name=firmware.module,
        version="as the rig file states it",
        pace="own",
        carrier_hz=firmware.carrier_hz or unstated.CARRIER_HZ,
        loop_period_s=firmware.loop_period_s.value if firmware.loop_period_s is not None else LOOP_PERIOD_S,
        counts_per_turn=entry.sensor.counts,
        field_steps=FULL_TURN,
        max_static_duty=ANY_DUTY,
        dead_time_s=unstated.dead_time(spec, None).value,
        pole_pairs=entry.pole_pairs,
        offset_count=round(turns % (1.0 / entry.pole_pairs) * entry.sensor.counts),
        direction=direction,
        sensor_path=entry.sensor.path,
        timers=(),
        amplitude_limit=clip,
        current_limit_a=None,
        travel_limit_rad=None,
    )
