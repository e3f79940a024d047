"""What the check of states does to a motor: nothing. It reads pins, and what the firmware declares."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.nouns.contract import Declared
from harness.rigfile import RigSpec

RESET = "a soft reset"
"""The last of what leaves a motor off; import, off and stop go before it, in events of these names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What the firmware declares against the rig file, a line each."""

    contradictions: tuple[str, ...]


def stimulus(spec: RigSpec, declared: Declared, motor: str) -> Stimulus:
    """Nothing is done; what is declared is known before."""
    return Stimulus(contradictions=tuple(contradictions(spec, motor, declared)))


def contradictions(spec: RigSpec, motor: str, declared: Declared) -> list[str]:
    """Where the firmware declares something else than the rig file says, each with both values.

    A number with a tolerance is contradicted from beyond its tolerance on; where the rig file is silent, nothing is.
    """
    entry, firmware = spec.motor[motor], spec.firmware
    equal: list[tuple[str, object, object]] = [
        (f"motor.{motor}.pole_pairs", entry.pole_pairs, declared.pole_pairs),
        (f"motor.{motor}.sensor.bits, counts a turn", entry.sensor.counts, declared.counts_per_turn),
        (f"motor.{motor}.direction", entry.direction, declared.direction),
        (f"motor.{motor}.sensor.path", entry.sensor.path, declared.sensor_path),
        ("firmware.sensor_path", firmware.sensor_path, declared.sensor_path),
        ("firmware.contract", firmware.contract, declared.contract),
    ]
    stated = [
        ("firmware.loop_period_s", firmware.loop_period_s, declared.loop_period_s),
        ("firmware.amplitude_limit", firmware.amplitude_limit, declared.amplitude_limit),
        ("firmware.dead_time_s", firmware.dead_time_s, declared.dead_time_s),
    ]
    alike = all(written in (None, of_firmware) for _, written, of_firmware in equal)
    if entry.electrical_offset_rad is not None and alike:  # else it counts by other terms than the rig file's
        offset, grid = entry.electrical_offset_rad, math.pi / declared.field_steps
        grid += math.tau * declared.pole_pairs / declared.counts_per_turn  # a whole count, rounded or cut off
        turn = math.tau * declared.offset_count / declared.counts_per_turn
        angle = offset.value + math.remainder(-declared.direction * declared.pole_pairs * turn - offset.value, math.tau)
        if not offset.low - grid <= angle <= offset.high + grid:
            equal.append((f"motor.{motor}.electrical_offset_rad", f"{offset.value:.3g}", f"{angle:.3g}"))
    stated_hz, declared_hz = firmware.carrier_hz, declared.carrier_hz
    if stated_hz is not None and declared_hz < stated_hz:  # a faster one does all that the stated one does
        equal.append(("firmware.carrier_hz", stated_hz, declared_hz))
    lines = [
        f"{spec.file}: {key}: the rig file says {written}, the firmware declares {of_firmware}"
        for key, written, of_firmware in equal
        if written is not None and written != of_firmware
    ]
    return lines + [
        f"{spec.file}: {key}: the rig file says {written.low:.3g} to {written.high:.3g}, "
        f"the firmware declares {of_firmware:.3g}"
        for key, written, of_firmware in stated
        if written is not None and not written.low <= of_firmware <= written.high
    ]
