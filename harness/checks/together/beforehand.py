"""What holding together takes and does, known before it is run."""

from __future__ import annotations

from collections.abc import Mapping

from harness.checks.effort import field_current_a, field_heat_w, loop_amplitude, winding_rise
from harness.checks.together.stimulus import NO_SUPPLY, stimulus
from harness.nouns.contract import Declared
from harness.nouns.effort import Duration, Effort
from harness.rigfile import RigSpec

SPELL_S = 1.75
"""Of a spell with the rest before it: rise, hold, readings (the sum of the device script's own waits)."""
SLOW_SPELL_S = 3.0
"""With a supply that reads slowly (arbitrary)."""


def effort(spec: RigSpec, declared: Declared, motor: str) -> Effort:
    """Each motor alone, then all of them: every one of them twice; the most of any of them, energy of each."""
    spells = len(spec.motors) + 1
    amplitude = loop_amplitude(spec, declared)
    energised_s = 2.0 * SLOW_SPELL_S
    warmed = {name: winding_rise(spec, name, field_heat_w(spec, name, amplitude) * energised_s) for name in spec.motors}
    rises = [rise for rise, _ in warmed.values() if rise is not None]
    needs = tuple(key for _, missing in warmed.values() for key in missing)
    return Effort(
        duration=Duration(least_s=spells * SPELL_S, usual_s=spells * SPELL_S, most_s=spells * SLOW_SPELL_S),
        phase_current_a=max(field_current_a(spec, name, amplitude) for name in spec.motors),
        travel_rad=stimulus(spec, declared, motor).reach_rad,
        energy_j=max(field_heat_w(spec, name, amplitude) for name in spec.motors) * energised_s,
        rise_k=None if needs else max(rises),
        rise_needs=needs,
    )


def unmeasured(spec: RigSpec, declared: Declared, motor: str) -> Mapping[str, str]:
    """What takes a supply that is an instrument."""
    return {} if spec.instruments_of("supply") else {"together.supply_sag": NO_SUPPLY}
