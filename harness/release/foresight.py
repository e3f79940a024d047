"""What a stored baseline lets a plan know beforehand: what its newest run measured, and what will be seen from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.base.errors import UsageError
from harness.base.words import visible
from harness.baseline.stored import load_baseline, refuse_retired
from harness.checks.definition import CheckNamed
from harness.compare import Baseline, Terms, in_time, terms_of
from harness.compare.foreseen import ForeseenDifference, foreseen_differences
from harness.gate import Policy
from harness.nouns.quantity import Quantity
from harness.plan.obstacles import obstacles
from harness.plan.plan import plan_of
from harness.release.trial import GateConditions, terms_for
from harness.rigfile import RigSpec
from harness.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Foresight:
    """All of it; empty without a baseline."""

    title: str = ""
    """How the baseline is called."""
    measured: Mapping[str, Quantity] = field(default_factory=dict)
    differences: Mapping[str, ForeseenDifference] = field(default_factory=dict)


def foresight_of(
    store: Store, name: str, revision: int | None, spec: RigSpec, policy: Policy | None, repeats: int
) -> Foresight:
    """Of a baseline by its name. Raises StoreError, RecordError; UsageError for one retired or of another rig."""
    stored = store.baselines.get(name, revision)
    refuse_retired(stored)
    if stored.rig != spec.rig.name:
        raise UsageError(
            f"{stored.title} is of rig {visible(stored.rig)}, {visible(spec.file)} is {spec.rig.name}: expected a "
            "baseline of this rig"
        )
    against = load_baseline(store, stored)
    terms = terms_of(against)
    return foresight(stored.title, against, terms if policy is None else terms_for(policy, terms), repeats)


def foresight(title: str, against: Baseline, terms: Terms, repeats: int) -> Foresight:
    """Of a baseline that is loaded, by the terms of the comparison to come."""
    newest = in_time(against.records)[-1]
    return Foresight(
        title=title,
        measured={name: measurement.quantity for name, measurement in newest.measurements.items()},
        differences=foreseen_differences(against, terms, repeats),
    )


def within_reach(conditions: GateConditions, spec: RigSpec, check_named: CheckNamed) -> str:
    """How long a gate will take, in words. Raises UsageError where it could only end undecided, with what to change."""
    policy, stored = conditions.policy, conditions.stored
    before = foresight(stored.title, conditions.against, conditions.terms, policy.repeats)
    plan = plan_of(spec, check_named, repeats=policy.repeats, measured=before.measured, differences=before.differences)
    if lines := obstacles(plan, policy, before.title, conditions.on_day):
        raise UsageError("\n".join(lines))
    return plan.length
