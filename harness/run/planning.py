"""What a qualification measures on an opened rig, by `harness.plan.order`; how long it takes; what is lacking."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.bench.rig import Rig
from harness.checks.catalogue import CHECK_NAMES
from harness.checks.definition import CheckNamed
from harness.nouns.contract import Declared
from harness.plan import order
from harness.plan.assumed import Declarations
from harness.plan.efforts import outlooks
from harness.plan.order import PlannedCheck
from harness.record.entries import LackEntry
from harness.rigfile import RigSpec


def plan(rig: Rig, selected: Iterable[str], check_named: CheckNamed) -> tuple[PlannedCheck, ...]:
    """Every run of these checks on the rig, in order."""
    return tuple(planned_check(rig, check, motor, check_named) for check, motor in order.runs(selected, rig.motors))


def planned_check(rig: Rig, check: str, motor: str, check_named: CheckNamed) -> PlannedCheck:
    """One check on one motor, as it can be run on the rig."""
    return order.planned_check(rig.spec, check, motor, check_named, rig.missing_parts())


def usual_seconds(
    spec: RigSpec, declared: Mapping[str, Declared], check_named: CheckNamed
) -> dict[tuple[str, str], float]:
    """How long each check usually takes on each motor, s; what is not run takes none.

    On a bench that computes its time ([clock]) waits cost nothing, and only ratios mean something.
    """
    if spec.clock is not None:
        return {(check, motor): check_named(check).computing_s for check, motor in order.runs(CHECK_NAMES, spec.motors)}
    every = outlooks(spec, Declarations(of=declared, assumptions=()), (), check_named)
    return {(each.planned.check, each.planned.motor): each.duration.usual_s for each in every}


def missing_things(rig: Rig) -> list[LackEntry]:
    """What this rig lacks, and what each would add."""
    missing: list[LackEntry] = []
    if rig.supply is None:
        missing.append(
            LackEntry(
                what="a programmable supply",
                adds="a current limit and protection that are set and read "
                "back, switching off by the harness, torque per ampere, supply voltage, currents of the steps",
            )
        )
    without = [motor for motor in rig.motors if rig.multimeter(motor) is None]
    if without:
        missing.append(
            LackEntry(
                what=f"a multimeter at the terminals of {' and '.join(without)}",
                adds="winding resistance, and with it the thermal rise",
            )
        )
    if rig.thermometer is None:
        missing.append(
            LackEntry(
                what="a thermometer near the motors",
                adds="the temperature of the room, to which rises and resistances refer",
            )
        )
    unloaded = [motor for motor in rig.motors if rig.spec.motor[motor].load is None]
    if unloaded:
        missing.append(
            LackEntry(
                what=f"a gravity arm on {' and '.join(unloaded)}",
                adds="known torque: stiffness, friction, largest torque",
            )
        )
    return missing
