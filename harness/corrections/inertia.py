"""What turns, as far as the rig file knows it."""

from __future__ import annotations

from harness.rigfile import RigSpec


def known_kg_m2(spec: RigSpec, motor: str) -> float | None:
    """Inertia of a motor's rotor, and of its arm about the shaft by the parallel-axis theorem, kg m2; None where the
    rotor's is not known.

    Of an arm only what the rig file states is in it.
    """
    entry, load = spec.motor[motor], spec.motor[motor].load
    if entry.rotor_inertia_kg_m2 is None:
        return None
    known = entry.rotor_inertia_kg_m2.value
    if load is not None and load.mass_kg is not None and load.length_m is not None:
        own = load.own_inertia_kg_m2
        known += load.mass_kg.value * load.length_m.value**2 + (own.value if own is not None else 0.0)
    return known
