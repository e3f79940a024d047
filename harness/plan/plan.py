"""The plan of a qualification: its checks, what it will see, and what cannot be decided; nothing is opened for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.base.spans import in_words
from harness.checks.catalogue import CHECK_NAMES, CHECKS
from harness.checks.definition import CheckNamed
from harness.compare.foreseen import ForeseenDifference
from harness.judge.verdict import Rule
from harness.nouns.effort import Duration
from harness.nouns.names import Name
from harness.nouns.quantity import Quantity
from harness.plan.assumed import Assumption, Declarations, declarations
from harness.plan.choice import Choice, choose, options
from harness.plan.efforts import CheckOutlook, computes_time, outlooks, whole_duration
from harness.plan.order import rule_for, selected_checks
from harness.plan.seeing import QuantityOutlook, quantity_outlooks
from harness.rigfile import RigSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a qualification of a rig will take and will be able to see."""

    spec: RigSpec
    repeats: int
    rule: Rule
    checks: tuple[CheckOutlook, ...]
    quantities: tuple[QuantityOutlook, ...]
    differences: Mapping[str, ForeseenDifference]
    """From a baseline, by full name; empty without one."""
    assumptions: tuple[Assumption, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Every planned quantity, as a record of the run has them."""
        return tuple(name for check in self.checks for name in check.planned.names)

    @property
    def one_run(self) -> Duration:
        """How long a run takes on a bench."""
        return whole_duration(self.checks)

    @property
    def whole(self) -> Duration:
        """How long all of the runs take."""
        return self.one_run.times(self.repeats)

    @property
    def length(self) -> str:
        """How long it takes, in words."""
        return _in_words(self.spec, self.one_run, self.repeats)

    def decisions_of(self, check: str) -> int:
        """How many decisions a check can come to, on all motors: by models, limits and the baseline."""
        own = [each for each in self.quantities if Name(each.name).check == check]
        compared = sum(each.name in self.differences and self.differences[each.name].decides for each in own)
        return sum(each.verdicts for each in own) + compared

    def seconds_of(self, check: str) -> float:
        """How long all runs of a check usually take, on all motors, s."""
        durations = [each.duration for each in self.checks if each.planned.check == check]
        return self.repeats * sum(duration.usual_s for duration in durations)

    @property
    def decisions(self) -> int:
        """How many decisions it can come to."""
        return sum(map(self.decisions_of, {each.planned.check for each in self.checks}))

    def within(self, seconds: float) -> Choice:
        """Which of its checks make the most decisions within a time, and what more would add."""
        chosen = [name for name in CHECK_NAMES if any(each.planned.check == name for each in self.checks)]
        always = {row.name for row in CHECKS if row.conduct}
        asked = [name for name in chosen if name not in always] or chosen
        return choose(options(asked, selected_checks, self.seconds_of, self.decisions_of), seconds)


def length_of(spec: RigSpec, check_named: CheckNamed, only: Sequence[str], repeats: int) -> str:
    """How long so many runs take, in words, without the rest of a plan."""
    return _in_words(spec, whole_duration(outlooks(spec, declarations(spec), only, check_named)), repeats)


def _in_words(spec: RigSpec, one_run: Duration, repeats: int) -> str:
    whole = one_run.times(repeats)
    spread = "" if whole.least_s == whole.most_s else f" ({in_words(whole.least_s)} to {in_words(whole.most_s)})"
    runs = "" if repeats == 1 else f", {repeats} runs of {in_words(one_run.usual_s)}"
    here = "; the simulated bench computes its time" if computes_time(spec) else ""
    return f"usually {in_words(whole.usual_s)} on steel{spread}{runs}{here}"


def plan_of(
    spec: RigSpec,
    check_named: CheckNamed,
    *,
    only: Sequence[str] = (),
    repeats: int = 1,
    measured: Mapping[str, Quantity] | None = None,
    differences: Mapping[str, ForeseenDifference] | None = None,
) -> Plan:
    """The plan of so many runs of these checks; all checks where none is named.

    `measured`: the quantities as a run before measured them, by full name. `differences`: what comparing with a
    baseline will see.
    """
    declared: Declarations = declarations(spec)
    checks = outlooks(spec, declared, only, check_named)
    # As a run counts them: what cannot run for want of something has no part in the risk.
    rule = rule_for(spec, [name for each in checks if not each.planned.reason for name in each.planned.names], repeats)
    return Plan(
        spec=spec,
        repeats=repeats,
        rule=rule,
        checks=checks,
        quantities=quantity_outlooks(spec, declared, checks, check_named, rule, measured or {}),
        differences=differences or {},
        assumptions=declared.assumptions,
    )
