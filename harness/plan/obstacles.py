"""Why a release gate could only end undecided, before anything is opened; each in one line with what to change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from harness.base.spans import in_words
from harness.gate.policy import Policy, required_by
from harness.nouns.names import Name
from harness.nouns.standing import Standing
from harness.plan.efforts import computes_time
from harness.plan.plan import Plan
from harness.plan.seeing import QuantityOutlook

SURE = 1.1
"""By how much more than is asked for must stay open to be sure of it (arbitrary): each run scatters anew."""


def obstacles(plan: Plan, policy: Policy | None, baseline: str, on_day: date) -> tuple[str, ...]:
    """All of them, what takes least to change first.

    `policy`: None where only rig file and baseline are looked at. `baseline`: how it is called; "" without one.
    """
    if policy is None:
        return tuple(dict.fromkeys(_of_rig(plan, plan.names)))
    kept = [name for name in plan.names if policy.standing(name, on_day) is None]  # a waiver answers for the others
    found = [*_of_rig(plan, kept), *_of_time(plan, policy), *_of_required(plan, policy, kept), *_of_sight(plan, kept)]
    if baseline:
        found += _of_baseline(plan, policy, baseline, kept)
    return tuple(dict.fromkeys(found))


def _of_time(plan: Plan, policy: Policy) -> Iterator[str]:
    """Runs that no time of the policy holds; a bench that computes its time waits for nothing."""
    least_s = plan.whole.least_s
    if computes_time(plan.spec) or least_s <= policy.time_budget_s:
        return
    runs = "1 run takes" if plan.repeats == 1 else f"{plan.repeats} runs take"
    usual_s = plan.whole.usual_s
    yield (
        f"{policy.file}: time_budget_s: {runs} at least {in_words(least_s)} on this rig, found "
        f"{in_words(policy.time_budget_s)}: allow {60.0 * -(-usual_s // 60.0):.0f} s or more "
        f"(they usually take {in_words(usual_s)})" + (", or ask for fewer repeats" if plan.repeats > 1 else "")
    )


def _of_required(plan: Plan, policy: Policy, names: Sequence[str]) -> Iterator[str]:
    """What the policy requires and this rig cannot measure."""
    for wanted in policy.required:
        for name, reason in _not_run(plan, required_by(wanted, names)):
            yield (
                f"{policy.file}: required: {wanted}: {name} cannot be measured on this rig: {reason}; or leave it out"
            )


def _of_rig(plan: Plan, names: Sequence[str]) -> Iterator[str]:
    """What the rig file itself requires, and that will not be run or not be judged."""
    for wanted in plan.spec.rig.required:
        asked = required_by(wanted, names)
        for name, reason in _not_run(plan, asked):
            where = f"{plan.spec.file}: rig.required: {wanted}"
            yield f"{where}: {name} cannot be measured on this rig: {reason}; or leave it out"
        for each in _of(plan, asked):
            missed = wanted in Name(each.name).own_keys or each.of_check
            if each.standing is Standing.UNJUDGED and not each.verdicts and missed:
                yield f"{plan.spec.file}: rig.required: {wanted}: {each.name} is not judged, it {each.reason}"


def _of_sight(plan: Plan, names: Sequence[str]) -> Iterator[str]:
    """What no run can tell, which leaves every run undecided."""
    for each in _of(plan, names):
        least, must = each.least_seen_from, each.must_see
        if least is not None and must is not None and least > SURE * must:
            yield (
                f"{plan.spec.file}: {each.name}: seen from {least:.2g} on at best, [detect] asks for {must:.2g}: "
                f"{each.limited_by}; or ask for less"
            )


def _of_baseline(plan: Plan, policy: Policy, baseline: str, names: Sequence[str]) -> Iterator[str]:
    """What the policy requires and this baseline shows of no board."""
    for name in policy.required_of(name for name in plan.differences if name in names):
        each = plan.differences[name]
        if each.why_not:
            yield f"{baseline}: {name}, which {policy.file} requires: {each.why_not}; accept a baseline that has it"
        elif each.margin is not None and each.reach is not None and each.reach > SURE * each.margin:
            yield (
                f"{policy.file}: {name}: a difference of up to {each.reach:.2g} stays open against {baseline}, margin "
                f"{each.margin:.2g}: {each.limited_by}; or a wider margin"
            )


def _not_run(plan: Plan, names: Iterable[str]) -> list[tuple[str, str]]:
    """Those of these quantities that will not be measured, the first for each reason."""
    reasons: dict[str, str] = {}
    for each in _of(plan, names):
        if each.standing is Standing.ABSENT:
            reasons.setdefault(each.reason, each.name)
    return [(name, reason) for reason, name in reasons.items()]


def _of(plan: Plan, names: Iterable[str]) -> Sequence[QuantityOutlook]:
    wanted = set(names)
    return [each for each in plan.quantities if each.name in wanted]
