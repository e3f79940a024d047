"""Where the rig file lets the arm rest: at its hanging, as far aside as friction may hold it."""

from __future__ import annotations

import math

from harness.base.gravity import STANDARD_M_S2
from harness.nouns.contract import Declared
from harness.nouns.quantity import rectangular, shifted
from harness.nouns.results import Expectation
from harness.rigfile import RigSpec


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """The place; what it needs where the rig file is silent."""
    entry, load = spec.motor[motor], spec.motor[motor].load
    name, model = f"{motor}.rest.place", "hanging, and friction over the arm's torque either way"
    friction = entry.coulomb_friction_n_m
    if load is None or load.hang_reading_rad is None or load.mass_kg is None or load.length_m is None:
        return [Expectation(name=name, needs=(f"motor.{motor}.load",), model=model)]
    arm_n_m = load.mass_kg.value * STANDARD_M_S2 * load.length_m.value
    aside = math.asin(min(1.0, friction.high / arm_n_m)) if friction is not None else 0.1
    held = rectangular(0.0, aside, "rad", f"friction holds {motor} aside")
    return [Expectation(name=name, quantity=shifted(load.hang_reading_rad.quantity("rad"), held=held), model=model)]
