"""What a field or a current does to a motor, from the rig file: the most of it, for a plan."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

UNEVEN = 2.0
"""A field that stands heats one phase twice as much as the mean of the three: I^2 beside I^2/4 and I^2/4."""


def field_current_a(spec: RigSpec, motor: str, amplitude: float) -> float:
    """Peak phase current of a field that stands: amplitude x V / 2 / R, as large as the tolerances let it be.

    Infinite where the resistance may be nothing: then nobody can say.
    """
    ohm = spec.motor[motor].resistance_ohm.low
    return amplitude * spec.supply.voltage_v.high / 2.0 / ohm if ohm > 0.0 else math.inf


def field_heat_w(spec: RigSpec, motor: str, amplitude: float) -> float:
    """Copper's loss of such a field: 3/2 R I^2."""
    current_a = field_current_a(spec, motor, amplitude)
    return 1.5 * spec.motor[motor].resistance_ohm.low * current_a**2 if math.isfinite(current_a) else math.inf


def field_effort(
    spec: RigSpec, motor: str, duration: Duration, spells: Sequence[tuple[float, float]], *, travel_rad: float
) -> Effort:
    """Of a check that sets fields: `spells` are amplitudes, each the most there is, and for how many seconds."""
    energy_j = sum(field_heat_w(spec, motor, amplitude) * seconds for amplitude, seconds in spells)
    rise_k, needs = winding_rise(spec, motor, energy_j)
    return Effort(
        duration=duration,
        phase_current_a=field_current_a(spec, motor, max(amplitude for amplitude, _ in spells)),
        travel_rad=travel_rad,
        energy_j=energy_j,
        rise_k=rise_k,
        rise_needs=needs,
    )


def winding_rise(spec: RigSpec, motor: str, energy_j: float) -> tuple[float | None, tuple[str, ...]]:
    """Rise of the hottest phase (K) by a loss that its winding keeps, at most; or what the rig file must state."""
    thermal = spec.motor[motor].thermal
    if thermal is None or thermal.winding_capacity_j_k is None:
        return None, (f"motor.{motor}.thermal.winding_capacity_j_k",)
    if not (thermal.winding_capacity_j_k.low > 0.0 and math.isfinite(energy_j)):
        return None, (f"a winding of motor.{motor} that is known to have a resistance and a heat capacity",)
    return UNEVEN * energy_j / thermal.winding_capacity_j_k.low, ()


def loop_amplitude(spec: RigSpec, declared: Declared) -> float:
    """The most that the firmware's loop demands."""
    stated = spec.firmware.amplitude_limit
    return stated.high if stated is not None else declared.amplitude_limit
