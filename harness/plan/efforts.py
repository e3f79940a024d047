"""The checks of a plan with what each takes and does, and why one will not run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness.base.errors import MissingCapability
from harness.checks.definition import CheckNamed
from harness.nouns.effort import Duration, Effort, in_all
from harness.plan.assumed import Declarations
from harness.plan.order import PlannedCheck, needed_first, planned_check, runs, selected_checks
from harness.rigfile import RigSpec
from harness.rigfile.addresses import simulated_place


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOutlook:
    """One check on one motor, before anything is opened."""

    planned: PlannedCheck
    effort: Effort | None
    reason: str = ""
    """Why it will not run, in the words of a run; "" where it will."""

    @property
    def duration(self) -> Duration:
        """How long it takes; what does not run takes no time."""
        return self.effort.duration if self.effort is not None else Duration.of(0.0)


def outlooks(
    spec: RigSpec, declarations: Declarations, only: Sequence[str], check_named: CheckNamed
) -> tuple[CheckOutlook, ...]:
    """The chosen checks in the order of the bench, with what they need; what waits for one left out is left out too."""
    found: dict[tuple[str, str], CheckOutlook] = {}
    for check, motor in runs(selected_checks(only), spec.motors):
        outlook = _outlook(spec, declarations, planned_check(spec, check, motor, check_named), check_named)
        first = needed_first(check, motor, spec.motors)
        before = next((found[each] for each in first if each in found and found[each].reason), None)
        if before is not None and not outlook.reason:
            reason = f"because {before.planned.prefix} is not run, which shows whether its loop may be closed"
            outlook = replace(outlook, effort=None, reason=reason)
        found[check, motor] = outlook
    return tuple(found.values())


def _outlook(spec: RigSpec, declarations: Declarations, planned: PlannedCheck, check_named: CheckNamed) -> CheckOutlook:
    if planned.reason:
        return CheckOutlook(planned=planned, effort=None, reason=planned.reason)
    declared = declarations.for_motor(planned.motor)
    try:
        effort = check_named(planned.check).effort(spec, declared, planned.motor)
    except MissingCapability as error:
        return CheckOutlook(planned=planned, effort=None, reason=str(error))
    return CheckOutlook(planned=planned, effort=effort)


def whole_duration(checks: Iterable[CheckOutlook]) -> Duration:
    """How long one run of them takes."""
    return in_all(each.duration for each in checks)


def computes_time(spec: RigSpec) -> bool:
    """Whether the bench owns its time, so that waiting costs nothing: a simulated one."""
    return spec.clock is not None or simulated_place(spec.board.port) is not None
