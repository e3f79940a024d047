"""`rotorgate plan`: what a qualification will take and be able to see; opens nothing."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

from harness.base.clock import utc_now
from harness.base.errors import ExitCode, UsageError
from harness.base.spans import in_words
from harness.base.words import visible
from harness.gate import load_policy
from harness.plan.choice import Choice, Option
from harness.plan.efforts import CheckOutlook
from harness.plan.obstacles import obstacles
from harness.plan.plan import Plan, plan_of
from harness.plan.rows import CHECKS, check_row, quantities_layout, quantity_rows, reason_of
from harness.plan.seeing import QuantityOutlook
from harness.release.foresight import Foresight, foresight_of
from harness.rigfile import load as load_rig
from harness.run.means import Means
from harness.run.session import check_names
from harness.show.terminal import Terminal
from harness.store import Store
from harness.store.address import DEFAULT, Address


def plan(arguments: argparse.Namespace) -> int:
    """Say it. Raises UsageError, StoreError, StoreUnavailable."""
    terminal = Terminal(quiet=arguments.quiet or arguments.json, json=arguments.json)
    if arguments.against is None and (arguments.revision is not None or arguments.store is not None):
        raise UsageError("--revision and --store are of a baseline: name it with --against")
    spec = load_rig(Path(arguments.rig))
    check_names(arguments.only)
    policy = load_policy(Path(arguments.policy)) if arguments.policy else None
    if policy is not None:
        policy.check_names(spec.motors)
        if arguments.only:
            raise UsageError("--only and --policy: a release gate runs every check; leave one of them out")
    repeats = arguments.repeats or (policy.repeats if policy is not None else 1)
    before = Foresight()
    if arguments.against is not None:
        with Store.open(Address.parse(arguments.store or DEFAULT)) as store:
            before = foresight_of(store, arguments.against, arguments.revision, spec, policy, repeats)
    means = arguments.means or Means()
    made = plan_of(
        spec,
        means.check_named,
        only=arguments.only,
        repeats=repeats,
        measured=before.measured,
        differences=before.differences,
    )
    hindrances = obstacles(made, policy, before.title, utc_now().date())
    code = ExitCode.USAGE if policy is not None and hindrances else ExitCode.AGREES
    choice = made.within(arguments.within) if arguments.within is not None else None
    if terminal.json:
        content = _content(made, hindrances, code)
        if choice is not None:
            content["within"] = _choice(choice, arguments.within)
        terminal.result(json.dumps(content, allow_nan=False))
        return code
    _tell(terminal, made, before)
    if choice is not None:
        _tell_choice(terminal, choice, arguments.within)
    if policy is not None or before.title:
        for line in hindrances:
            terminal.result(f"no decision: {line}")
    if policy is not None and not hindrances:
        terminal.result("a decision is within reach")
    return code


def _tell(terminal: Terminal, made: Plan, before: Foresight) -> None:
    running = sum(not each.reason for each in made.checks)
    left = f", {len(made.checks) - running} not run" if running < len(made.checks) else ""
    counted = f"{running} checks{left}, {made.decisions} decisions within reach"
    terminal.result(f"{made.spec.rig.name}: {counted}; {made.length}")
    if not terminal.quiet:
        _tables(terminal, made, before)


def _tell_choice(terminal: Terminal, choice: Choice, within_s: float) -> None:
    best = "nothing fits" if choice.best is None else _option_words(choice.best)
    terminal.result(f"within {in_words(within_s)}: {best}")
    for option in choice.more:
        terminal.result(f"  more time: {_option_words(option)}")


def _tables(terminal: Terminal, made: Plan, before: Foresight) -> None:
    terminal.rows(CHECKS, [check_row(each, made) for each in made.checks], reason_of)
    terminal.result("")
    layout = quantities_layout(against=bool(before.title))
    terminal.rows(layout, quantity_rows(made, against=bool(before.title)), reason_of)
    terminal.result("")
    for line in _notes(made, before.title):
        terminal.result(line)


def _notes(made: Plan, baseline: str) -> list[str]:
    """What the numbers mean, and what they rest on."""
    known = (
        f"what measuring leaves open is taken as in the newest run of {baseline}"
        if baseline
        else "in it: rig file, instruments and load; how readings scatter is known only after a run (--against)"
    )
    return [
        "sees from: the smallest deviation that is seen 95 times in 100",
        known,
        *(f"assumed of the board: {visible(each.key)}: {each.words}" for each in made.assumptions),
    ]


def _option_words(option: Option) -> str:
    return f"--only {' '.join(option.checks)}: {in_words(option.seconds)}, {option.decisions} decisions"


def _option(option: Option) -> dict[str, Any]:
    return {"checks": option.checks, "seconds": option.seconds, "decisions": option.decisions}


def _choice(choice: Choice, within_s: float) -> dict[str, Any]:
    return {
        "seconds": within_s,
        "best": None if choice.best is None else _option(choice.best),
        "more": [_option(option) for option in choice.more],
    }


def _content(made: Plan, hindrances: tuple[str, ...], code: ExitCode) -> dict[str, Any]:
    one, whole = made.one_run, made.whole
    return {
        "exit_code": int(code),
        "rig": made.spec.rig.name,
        "repeats": made.repeats,
        "run_s": one.usual_s,
        "whole_s": whole.usual_s,
        "least_s": whole.least_s,
        "most_s": whole.most_s,
        "decisions": made.decisions,
        "planned": made.names,
        "checks": [_check(each) for each in made.checks],
        "quantities": [_quantity(each, made) for each in made.quantities],
        "assumed": {each.key: each.words for each in made.assumptions},
        "no_decision": hindrances,
    }


def _check(each: CheckOutlook) -> dict[str, Any]:
    effort = each.effort
    taken = (
        {}
        if effort is None
        else {
            "usual_s": effort.duration.usual_s,
            "least_s": effort.duration.least_s,
            "most_s": effort.duration.most_s,
            "phase_current_a": _finite(effort.phase_current_a),
            "travel_rad": effort.travel_rad,
            "energy_j": _finite(effort.energy_j),
            "rise_k": effort.rise_k,
            "rise_needs": effort.rise_needs,
        }
    )
    return {"check": each.planned.check, "motor": each.planned.motor, "not_run": each.reason, **taken}


def _finite(value: float) -> float | None:
    """None where nobody can say."""
    return value if math.isfinite(value) else None


def _quantity(each: QuantityOutlook, made: Plan) -> dict[str, Any]:
    seen = made.differences.get(each.name)
    return {
        "name": each.name,
        "unit": each.unit,
        "word": each.word,
        "reason": each.reason,
        "expected": None if each.expected is None else each.expected.value,
        "seen_from": each.seen_from,
        "must_see": each.must_see,
        "limited_by": each.limited_by,
        "as_measured_before": each.measured,
        "baseline": None
        if seen is None
        else {
            "seen_from": seen.seen_from,
            "open": seen.reach,
            "margin": seen.margin,
            "limited_by": seen.limited_by,
            "why_not": seen.why_not,
        },
    }
