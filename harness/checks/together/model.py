"""What the rig file lets expect when both motors hold at once: nothing but the sag of a source with resistance.

A supply at constant voltage keeps each motor's stiffness, so that deflections do not change. A battery of internal
resistance sags by it times the other motor's supply current; the loop's stiffness goes with the voltage, and the
deflection of a held arm against it. Left out: coupling through the firmware's time and the driver's warmth.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.checks.strength import FIELD_SHARE
from harness.checks.together.stimulus import REACH_RAD
from harness.nouns import gravity
from harness.nouns.quantity import Quantity, exact, propagate
from harness.nouns.results import Expectation
from harness.physics.drive import circuit_ohm
from harness.physics.holding import LOOP, loop_stiffness
from harness.physics.motor import arm_torque, known, needs
from harness.rigfile import unstated

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec


def expect(spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """Change of each motor's deflection (rad) and sag (V) from one motor holding to all of them."""
    regulated = unstated.source_resistance(spec).value == 0.0
    model = "a source at constant voltage: none" if regulated else "internal resistance times the added current"
    inputs = (*LOOP, "mass_kg", "length_m")
    lacking = tuple(dict.fromkeys(key for each in spec.motors for key in needs(spec, each, inputs)))
    expectations = []
    drops = {} if regulated or lacking else {each: _drop(spec, each, declared) for each in spec.motors}
    for each in spec.motors:
        name = f"together.{each}_deflection_change"
        if regulated:
            change: Quantity | None = exact(0.0, "rad")
        elif lacking:
            change = None
        else:
            others = [drops[other] for other in spec.motors if other != each]
            torque = _arm(spec, each)
            stiffness = loop_stiffness(spec, each, spec.motor[each].pole_pairs)
            drop = others[0]
            change = propagate(
                lambda t, k, d, v: t / k * d / v,
                "rad",
                t=torque,
                k=stiffness,
                d=drop,
                v=spec.supply.voltage_v.quantity("V"),
            )
        expectations.append(
            Expectation(name=name, quantity=change, needs=() if change is not None else lacking, model=model)
        )
    sag: Quantity | None = exact(0.0, "V")
    if not regulated:
        sag = (
            None
            if lacking
            else propagate(lambda a, b: (a + b) / 2.0, "V", a=next(iter(drops.values())), b=list(drops.values())[-1])
        )
    expectations.append(
        Expectation(name="together.supply_sag", quantity=sag, needs=() if sag is not None else lacking, model=model)
    )
    return expectations


def _arm(spec: RigSpec, motor: str) -> Quantity:
    inputs = known(spec, motor, "mass_kg", "length_m")
    return propagate(
        lambda m, r, g: -arm_torque(m, r, g, REACH_RAD),
        "N m",
        m=inputs["mass_kg"],
        r=inputs["length_m"],
        g=gravity.local(),
    )


def _drop(spec: RigSpec, motor: str, declared: Declared) -> Quantity:
    """Volts that one motor's hold takes from a source with resistance: internal resistance x 0.75 a I."""
    inputs = known(spec, motor, "supply_v", "winding_ohm", "flux_v_s", "on_ohm")
    pole_pairs = spec.motor[motor].pole_pairs

    def volts(t: float, supply_v: float, winding_ohm: float, flux_v_s: float, on_ohm: float, r: float) -> float:
        current = t / (1.5 * pole_pairs * flux_v_s)
        amplitude = current * circuit_ohm(winding_ohm, on_ohm) / (supply_v / 2.0)
        return r * FIELD_SHARE * amplitude * current

    return propagate(
        volts,
        "V",
        t=_arm(spec, motor),
        supply_v=inputs["supply_v"],
        winding_ohm=inputs["winding_ohm"],
        flux_v_s=inputs["flux_v_s"],
        on_ohm=inputs["on_ohm"],
        r=unstated.source_resistance(spec),
    )
