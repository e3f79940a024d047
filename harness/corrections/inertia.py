"""What turns, as far as the rig file knows it."""

from __future__ import annotations

from harness.nouns.quantity import Quantity, propagate
from harness.rigfile import RigSpec, unstated


def turning(spec: RigSpec, motor: str) -> Quantity | None:
    """Inertia of a motor's rotor, and of its arm about the shaft by the parallel-axis theorem, kg m2; None where the
    rotor's is not known. Of an arm without mass or length nothing is in it.
    """
    entry, load = spec.motor[motor], spec.motor[motor].load
    if entry.rotor_inertia_kg_m2 is None:
        return None
    rotor = entry.rotor_inertia_kg_m2.quantity("kg m2")
    if load is None or load.mass_kg is None or load.length_m is None:
        return rotor
    return propagate(
        lambda rotor, mass_kg, length_m, own: rotor + mass_kg * length_m**2 + own,
        "kg m2",
        rotor=rotor,
        mass_kg=load.mass_kg.quantity("kg"),
        length_m=load.length_m.quantity("m"),
        own=unstated.own_inertia(spec, motor),
    )
