"""An arm against the motor that it hangs on: a mass in grams or a length in millimetres shows here.

`inspect` says it. A qualification goes on: an arm that its motor cannot lift may hang there on purpose.
"""

from __future__ import annotations

from harness.base.gravity import STANDARD_M_S2
from harness.rigfile.spec import RigSpec

LARGEST = "which its motor makes at limits.phase_current_a by pole_pairs and flux_linkage_v_s"


def too_heavy(spec: RigSpec) -> list[str]:
    """Arms that pull more than their motors make, a line each, where mass, length and flux linkage are stated.

    Torque 1.5 x pole pairs x flux linkage x peak current (DEVELOPERS.md, conventions); of all that is known only so
    well the end is taken that lets an arm pass.
    """
    lines = []
    for name, motor in spec.motor.items():
        load, flux = motor.load, motor.flux_linkage_v_s
        if load is None or load.mass_kg is None or load.length_m is None or flux is None:
            continue
        pull = load.mass_kg.low * load.length_m.low * STANDARD_M_S2
        most = 1.5 * motor.pole_pairs * flux.high * spec.limits.phase_current_a
        if pull > most:
            lines.append(
                f"motor.{name}.load: expected an arm of at most {most:.3g} N m, {LARGEST}, found {pull:.3g} N m by "
                "mass_kg and length_m: look at the units of these, SI all of them"
            )
    return lines
