"""The smallest deviation of each quantity that a run will see 95 times in 100, and what limits it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.checks.catalogue import measurand_of, quantities_of
from harness.checks.definition import CheckNamed
from harness.judge import verdict as rules
from harness.judge.tally import usually_unasked
from harness.nouns.coverage import caught_from
from harness.nouns.measurand import Sense
from harness.nouns.quantity import BEND, Quantity, difference, exact
from harness.nouns.results import Expectation, needed, stateable
from harness.nouns.standing import Standing
from harness.plan.assumed import Declarations
from harness.plan.efforts import CheckOutlook
from harness.rigfile import RigSpec

CAN_TELL, CANNOT_TELL, EQUAL = "can tell", "cannot tell", "equal or not"
UNKNOWN, NOT_JUDGED, NOT_RUN, BY_REQUIREMENT = "not known yet", "not judged", "not run", "by its limit"
FIRST_RUN = "its own readings decide: known after a first run, with --against"


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityOutlook:
    """One quantity, before anything is measured."""

    name: str
    unit: str
    standing: Standing
    """GOOD: a verdict is within reach; OPEN: it will come to none; UNJUDGED: nobody knows yet, or nothing to judge it
    by; ABSENT: not run."""
    word: str
    verdicts: int = 0
    """How many nothing stands in the way of: against its model, against its requirement."""
    reason: str = ""
    expected: Quantity | None = None
    seen_from: float | None = None
    """From the model; None where nothing of it is known beforehand, 0 for what is equal or not."""
    least_seen_from: float | None = None
    """The same without what readings scatter, from a measurement before: no run sees less. None without one."""
    must_see: float | None = None
    limiting: str = ""
    """The largest contribution's source; where a model bends, the tolerance that it bends over most stands for that."""
    limited_by: str = ""
    """The same in words, with what would shrink it."""
    of_check: bool = True
    """Whether who requires the whole check asks for it: not where nobody usually does, or no rig file can."""
    measured: bool = False
    """Whether what a measurement leaves open is in it, as a run before had it."""


def quantity_outlooks(
    spec: RigSpec,
    declarations: Declarations,
    checks: Sequence[CheckOutlook],
    check_named: CheckNamed,
    rule: rules.Rule,
    measured: Mapping[str, Quantity],
) -> tuple[QuantityOutlook, ...]:
    """Of every quantity of these checks; `measured`: as a run before measured them, by full name."""
    found: list[QuantityOutlook] = []
    for check in checks:
        planned, wanted = check.planned, check_named(check.planned.check)
        named = quantities_of(wanted.row, spec.motors).items()
        units = {str(wanted.row.full_name(planned.motor, name)): measurand.unit for name, measurand in named}
        if check.reason:
            found += [_absent(name, units[name], check.reason) for name in planned.names]
            continue
        declared = declarations.for_motor(planned.motor)
        model = wanted.model(spec, declared, planned.motor)
        lacking = wanted.unmeasured(spec, declared, planned.motor) if wanted.unmeasured is not None else {}
        expected = {each.name: each for each in model}
        values = {name: each.quantity for name, each in expected.items() if each.quantity is not None}
        foreseen = wanted.foreseen(spec, planned.motor, values) if wanted.foreseen is not None else {}
        for name in planned.names:
            if name in lacking:
                found.append(_absent(name, units[name], lacking[name]))
                continue
            plain = QuantityOutlook(name=name, unit=units[name], standing=Standing.UNJUDGED, word=NOT_JUDGED)
            outlook = _by_model(plain, expected.get(name), foreseen.get(name), measured.get(name), rule)
            found.append(_by_requirement(outlook, rule))
    return tuple(found)


def _absent(name: str, unit: str, reason: str) -> QuantityOutlook:
    return QuantityOutlook(name=name, unit=unit, standing=Standing.ABSENT, word=NOT_RUN, reason=reason)


def _by_requirement(outlook: QuantityOutlook, rule: rules.Rule) -> QuantityOutlook:
    """A limit of the application decides, whatever the model can."""
    if rule.requirement_for(outlook.name) is None:
        return outlook
    outlook = replace(outlook, verdicts=outlook.verdicts + 1)
    if outlook.expected is not None:
        return outlook
    return replace(outlook, standing=Standing.GOOD, word=BY_REQUIREMENT, reason="")


def _by_model(
    plain: QuantityOutlook,
    expectation: Expectation | None,
    foreseen: Quantity | None,
    before: Quantity | None,
    rule: rules.Rule,
) -> QuantityOutlook:
    if expectation is None or expectation.quantity is None:
        missing = expectation.needs if expectation is not None else ()
        reason = needed(missing or ("a model of this quantity, or a baseline",))
        return replace(plain, reason=reason, of_check=stateable(missing))
    expected = expectation.quantity
    plain = replace(plain, expected=expected)
    row = measurand_of(plain.name)
    if expected.exact and (before.exact if before is not None else row is None or row.sense is Sense.COUNT):
        return replace(plain, standing=Standing.GOOD, word=EQUAL, seen_from=0.0, least_seen_from=0.0, verdicts=1)
    gap = difference(before or foreseen or exact(expected.value, expected.unit), expected)
    detect = rule.detect_for(plain.name)
    must = None if detect is None else detect.deviation(expected.value)
    low, high = expectation.interval or (expected.value, expected.value)
    half = (high - low) / 2.0
    seen = half + _seen_from(gap, rule)
    limiting, largest = _limiting(gap)
    plain = replace(
        plain,
        seen_from=seen if gap.u else None,
        least_seen_from=None if before is None else half + _seen_from(_lasting(gap), rule),
        must_see=must,
        limiting=limiting,
        limited_by=largest,
        measured=before is not None,
    )
    if must is None:
        return replace(plain, reason=rules.UNASKED, of_check=not usually_unasked(plain.name))
    if not gap.u:
        return replace(plain, word=UNKNOWN, reason=FIRST_RUN, verdicts=1)
    if seen > must:
        unit = "" if plain.unit == "1" else f" {plain.unit}"
        reason = f"sees from {seen:.2g}{unit} on, must see {must:.2g}{unit}; largest contribution: {largest}"
        return replace(plain, standing=Standing.OPEN, word=CANNOT_TELL, reason=reason)
    return replace(plain, standing=Standing.GOOD, word=CAN_TELL, verdicts=1)


def _seen_from(gap: Quantity, rule: rules.Rule) -> float:
    return caught_from(gap, rule.limit(gap))


def _limiting(gap: Quantity) -> tuple[str, str]:
    """The largest contribution's source, and in words; the tolerance that a model bends over most, not the bend."""
    shares = gap.shares()
    for source, share in shares:
        if not source.startswith(BEND):
            remedy = gap.remedy(source)
            return source, f"{source} ({share:.0%} of the variance){': ' + remedy if remedy else ''}"
    return (shares[0][0] if shares else ""), gap.largest()


def _lasting(gap: Quantity) -> Quantity:
    """Without what repeated readings scatter: it is another in every run."""
    return replace(gap, budget={source: part for source, part in gap.budget.items() if not part.type_a})
