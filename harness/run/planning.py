"""What a qualification measures, in which order, and why it leaves something out: fixed before anything is measured.

N, the number of decisions that share the risk, follows from this and from nothing that a measurement says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.bench.rig import Rig
from harness.checks.catalogue import CHECK_NAMES, CHECKS, full_names, row_of
from harness.checks.definition import Check, CheckNamed
from harness.judge import verdict as rules
from harness.nouns.names import Name
from harness.nouns.results import Gauge
from harness.record.entries import LackEntry
from harness.rigfile import RigSpec

BOTH = "together"
"""Stands for a motor where a check drives all of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedCheck:
    """One check on one motor (or both together), its quantities by full name, why it cannot run ("" if it can)."""

    check: str
    motor: str
    names: tuple[str, ...]
    reason: str = ""

    @property
    def prefix(self) -> str:
        """What the full names of its quantities begin with."""
        return Name(self.names[0]).prefix


def plan(rig: Rig, selected: Iterable[str], check_named: CheckNamed) -> tuple[PlannedCheck, ...]:
    """Every run of these checks on the rig, in order."""
    return tuple(planned_check(rig, check, motor, check_named) for check, motor in runs(selected, rig.motors))


def planned_check(rig: Rig, check: str, motor: str, check_named: CheckNamed) -> PlannedCheck:
    """One check on one motor, as it can be run on the rig."""
    wanted = check_named(check)
    names = full_names(wanted.row, motor, rig.motors)
    return PlannedCheck(check=check, motor=motor, names=names, reason=lacking(rig, wanted, motor))


def selected_checks(only: Sequence[str]) -> tuple[str, ...]:
    """The checks asked for, all if none is, in order, with what they need first; conduct is never left out."""
    wanted = set(only or CHECK_NAMES) | {row.name for row in CHECKS if row.conduct}
    if any(row_of(name).closes_loop for name in wanted):
        wanted.add("commutation")
    return tuple(name for name in CHECK_NAMES if name in wanted)


def runs(selected: Iterable[str], motors: Sequence[str]) -> list[tuple[str, str]]:
    """(check, motor) in the order of the bench: what needs no supply, one motor after the other, then both together."""
    chosen = set(selected)
    unpowered = [(row.name, motor) for row in CHECKS for motor in motors if not row.powered and row.name in chosen]
    powered = [row for row in CHECKS if row.per_motor and row.powered and row.name in chosen]
    ordered = unpowered + [(row.name, motor) for motor in motors for row in powered]
    return ordered + [(row.name, BOTH) for row in CHECKS if not row.per_motor and row.name in chosen]


def needed_first(check: str, motor: str, motors: Sequence[str]) -> list[tuple[str, str]]:
    """(check, motor) that must have been run before a check: what needs no supply, what shows a loop to be safe."""
    row = row_of(check)
    first = [(each.name, name) for each in CHECKS for name in motors if row.powered and not each.powered]
    loops = [each.name for each in CHECKS if each.conduct and each.closes_loop and each.name != check]
    if row.closes_loop:
        chosen = motors if motor == BOTH else (motor,)
        first += [(each, name) for name in chosen for each in ("commutation", *loops)]
    return first


def lacking(rig: Rig, check: Check[Any], motor: str) -> str:
    """Why a rig cannot run a check, with what to add; "" if it can."""
    if not check.row.per_motor and len(rig.motors) < 2:
        return "needs two motors: add a second [motor.NAME]"
    for part in rig.missing_parts():
        if check.row.calls(part.name):
            return f"the firmware lacks {part.call}: add it (drive contract)"
    return next((reason for need in check.needs if (reason := need(rig.spec, motor))), "")


def usual_seconds(check_named: CheckNamed, *, computed: bool) -> dict[str, float]:
    """How long each check usually takes, s; `computed`: on a bench that computes its time, whose waits cost nothing."""
    return {
        name: check.computing_s if computed else check.bench_s for name in CHECK_NAMES for check in (check_named(name),)
    }


def rule_for(
    rig: Rig, names: Sequence[str], runs_sharing_risk: int = 1, gauge: Mapping[str, Gauge] | None = None
) -> rules.Rule:
    """The rule, fixed before measuring: how many decisions, how often each, at which risks, what must be seen, by how
    good a gauge.

    What shows that the drive does as it is told shares no risk: its limits lie far from what noise does.
    """
    spec = rig.spec
    names = [name for name in names if not row_of(Name(name).check).conduct]
    requirements = spec.required
    return rules.Rule(
        planned=max(1, rules.decisions(names, requirements)),
        runs_sharing_risk=runs_sharing_risk,
        false_alarm_risk=spec.rig.false_alarm_risk,
        false_acceptance_risk=spec.rig.false_acceptance_risk,
        detect=spec.detect,
        requirements=requirements,
        gauge=gauge or {},
        gauge_share_max=spec.rig.gauge_share_max,
    )


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


def planned_quantities(spec: RigSpec, only: Sequence[str], check_named: CheckNamed) -> list[str]:
    """Full names of all quantities of the chosen checks on a rig, in the order of the bench."""
    return [
        name
        for check, motor in runs(selected_checks(only), spec.motors)
        for name in full_names(check_named(check).row, motor, spec.motors)
    ]
