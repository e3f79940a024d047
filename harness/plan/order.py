"""Which checks there are to run on a rig file's motors, in which order, and why one cannot: before anything is opened.

N, the number of decisions that share the risk, follows from this and from nothing that a measurement says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.checks.catalogue import CHECK_NAMES, CHECKS, full_names, row_of
from harness.checks.definition import Check, CheckNamed
from harness.judge import verdict as rules
from harness.nouns.contract import Part
from harness.nouns.names import Name
from harness.nouns.results import Gauge
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


def planned_check(
    spec: RigSpec, check: str, motor: str, check_named: CheckNamed, missing: Sequence[Part] = ()
) -> PlannedCheck:
    """One check on one motor, as the rig file lets it be run; `missing`: parts that the firmware lacks."""
    wanted = check_named(check)
    names = full_names(wanted.row, motor, spec.motors)
    return PlannedCheck(check=check, motor=motor, names=names, reason=lacking(spec, wanted, motor, missing))


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


def lacking(spec: RigSpec, check: Check[Any], motor: str, missing: Sequence[Part] = ()) -> str:
    """Why a rig cannot run a check, with what to add; "" if it can. `missing`: parts that the firmware lacks."""
    if not check.row.per_motor and len(spec.motors) < 2:
        return "needs two motors: add a second [motor.NAME]"
    for part in missing:
        if check.row.calls(part.name):
            return f"the firmware lacks {part.call}: add it (drive contract)"
    return next((reason for need in check.needs if (reason := need(spec, motor))), "")


def rule_for(
    spec: RigSpec, names: Sequence[str], runs_sharing_risk: int = 1, gauge: Mapping[str, Gauge] | None = None
) -> rules.Rule:
    """The rule, fixed before measuring: how many decisions, how often each, at which risks, what must be seen, by how
    good a gauge.

    What shows that the drive does as it is told shares no risk: its limits lie far from what noise does.
    """
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


def planned_quantities(spec: RigSpec, only: Sequence[str], check_named: CheckNamed) -> list[str]:
    """Full names of all quantities of the chosen checks on a rig, in the order of the bench."""
    return [
        name
        for check, motor in runs(selected_checks(only), spec.motors)
        for name in full_names(check_named(check).row, motor, spec.motors)
    ]
