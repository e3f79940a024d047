"""What a qualification measures, in which order, and why it leaves something out: fixed before anything is measured.

N, the number of decisions that share the risk, follows from this and from nothing that a measurement says.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from types import ModuleType
from typing import cast

from harness.bench.rig import Rig
from harness.checks.catalogue import CHECK_NAMES, CHECKS
from harness.judge import verdict as rules
from harness.nouns.names import Name
from harness.nouns.results import Gauge
from harness.rigfile import RigSpec

BOTH = "together"
CLOSED_LOOP = ("stiffness", "step", BOTH)
"""Checks that let the firmware close its loop; swapped phases would make it a runaway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One check on one motor (or both together), its quantities by full name, why it cannot run ("" if it can)."""

    check: str
    motor: str
    names: tuple[str, ...]
    reason: str = ""

    @property
    def prefix(self) -> str:
        """What the full names of its quantities begin with."""
        return self.check if self.motor == BOTH else f"{self.motor}.{self.check}"


def plan(rig: Rig, selected: Iterable[str]) -> tuple[Planned, ...]:
    """Every run of these checks on the rig, in order."""
    return tuple(planned(rig, check, motor) for check, motor in runs(selected, rig.motors))


def planned(rig: Rig, check: str, motor: str) -> Planned:
    """One check on one motor, as it can be run on the rig."""
    module = measuring(check)
    names = planned_names(module, check, motor, rig.motors)
    return Planned(check=check, motor=motor, names=names, reason=lacking(rig, module, check, motor))


def selected_checks(only: Sequence[str]) -> tuple[str, ...]:
    """The checks asked for, all if none is, in order, with what they need first."""
    wanted = set(only or CHECK_NAMES)
    if wanted & set(CLOSED_LOOP):
        wanted.add("commutation")
    return tuple(name for name in CHECK_NAMES if name in wanted)


def runs(selected: Iterable[str], motors: Sequence[str]) -> list[tuple[str, str]]:
    """(check, motor) in the order of the bench: one motor after the other, then both together."""
    chosen = set(selected)
    ordered = [(check.name, motor) for motor in motors for check in CHECKS if check.per_motor and check.name in chosen]
    return ordered + [(check.name, BOTH) for check in CHECKS if not check.per_motor and check.name in chosen]


def measuring(check: str) -> ModuleType:
    """The module that measures a check."""
    return import_module(f"harness.checks.{check}.procedure")


def planned_names(module: ModuleType, check: str, motor: str, motors: Sequence[str]) -> tuple[str, ...]:
    """Full names of a check's quantities; MOTOR stands for each motor of the rig."""
    names: list[str] = []
    for quantity in cast("Sequence[str]", module.PLANNED):
        short = Name(quantity).quantity
        names += [short.replace("MOTOR", each) for each in motors] if "MOTOR" in short else [short]
    prefix = check if motor == BOTH else f"{motor}.{check}"
    return tuple(f"{prefix}.{name}" for name in names)


def lacking(rig: Rig, module: ModuleType, check: str, motor: str) -> str:
    """Why a rig cannot run a check, with what to add; "" if it can."""
    if motor == BOTH and len(rig.motors) < 2:
        return "needs two motors: add a second [motor.NAME]"
    if parts := [part for part in rig.missing_parts() if check in part.needed_by]:
        return f"the firmware lacks {parts[0].call}: add it (drive contract)"
    needs = getattr(module, "needs", None)
    if callable(needs):
        return str(needs(rig.spec)) if len(inspect.signature(needs).parameters) == 1 else str(needs(rig.spec, motor))
    for need in cast("Sequence[str]", getattr(module, "NEEDS", ())):
        if need in ("supply", "thermometer") and getattr(rig, need) is None:
            return f"needs a {need}: add an [instrument.NAME] of class {need}"
        if need == "multimeter" and rig.multimeter(motor) is None:
            return f"needs a multimeter: add an [instrument.NAME] of class multimeter across two terminals of {motor}"
        if need == "load" and motor != BOTH and rig.spec.motor[motor].load is None:
            return f"needs a known torque: add [motor.{motor}.load]"
    return ""


def rule_for(rig: Rig, names: Sequence[str], looks: int = 1, gauge: Mapping[str, Gauge] | None = None) -> rules.Rule:
    """The rule, fixed before measuring: how many decisions, how often each, at which risks, what must be seen, by how
    good a gauge."""
    spec = rig.spec
    requirements = spec.required
    return rules.Rule(
        planned=max(1, rules.decisions(names, requirements)),
        looks=looks,
        false_alarm_risk=spec.rig.false_alarm_risk,
        false_acceptance_risk=spec.rig.false_acceptance_risk,
        detect=spec.detect,
        requirements=requirements,
        gauge=gauge or {},
        gauge_share_max=spec.rig.gauge_share_max,
    )


def missing_things(rig: Rig) -> list[dict[str, str]]:
    """What this rig lacks, and what each would add."""
    found: list[dict[str, str]] = []
    if rig.supply is None:
        found.append(
            {
                "what": "a programmable supply",
                "adds": "a current limit and protection that are set and read "
                "back, switching off by the harness, torque per ampere, supply voltage, currents of the steps",
            }
        )
    without = [motor for motor in rig.motors if rig.multimeter(motor) is None]
    if without:
        found.append(
            {
                "what": f"a multimeter at the terminals of {' and '.join(without)}",
                "adds": "winding resistance, and with it the thermal rise",
            }
        )
    if rig.thermometer is None:
        found.append(
            {
                "what": "a thermometer near the motors",
                "adds": "the temperature of the room, to which rises and resistances refer",
            }
        )
    unloaded = [motor for motor in rig.motors if rig.spec.motor[motor].load is None]
    if unloaded:
        found.append(
            {
                "what": f"a gravity arm on {' and '.join(unloaded)}",
                "adds": "known torque: stiffness, friction, largest torque",
            }
        )
    return found


def planned_quantities(spec: RigSpec, check: str, only: Sequence[str] = ()) -> list[str]:
    """Full names of a check's quantities on a rig, empty if the check was not chosen."""
    selected = selected_checks(only)
    module = measuring(check)
    return [
        name
        for planned, motor in runs(selected, spec.motors)
        if planned == check
        for name in planned_names(module, check, motor, spec.motors)
    ]


def place_in_order(name: str, motors: Sequence[str]) -> tuple[int, int]:
    """Sorting key of a quantity: its motor's place, then its check's."""
    dotted = Name(name)
    place = motors.index(dotted.motor) if dotted.motor in motors else len(motors)
    return place, CHECK_NAMES.index(dotted.check) if name else 0
