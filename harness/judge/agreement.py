"""One comparison in a person's own test, by the rule of a qualification: its truth value, and a line that says why."""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.base.errors import UsageError
from harness.judge.verdict import UNASKED, Rule, judge
from harness.nouns.quantity import Quantity
from harness.nouns.results import Detect, Expectation, Measurement, Outcome, Unmeasured, Verdict

UNASKED_HERE = f"nothing was judged: it {UNASKED}, or agrees(..., detect=...)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Truth value and explanation of one comparison, for `assert agrees(...)`."""

    verdict: Verdict

    def __bool__(self) -> bool:
        return self.verdict.outcome is Outcome.AGREES

    def __repr__(self) -> str:
        """What a failing `assert` shows."""
        verdict = self.verdict
        return describe(replace(verdict, reason=UNASKED_HERE) if verdict.unasked else verdict)


def describe(verdict: Verdict) -> str:
    """One verdict in one line: measured, expected or required, uncertainty, margin, reason."""
    parts = [f"{verdict.name}: {verdict.outcome.value}"]
    if verdict.measured is not None:
        parts.append(f"measured {verdict.measured}")
    if verdict.expected is not None and verdict.expected.quantity is not None:
        parts.append(f"expected {verdict.expected.quantity}")
        if verdict.expected.interval:
            parts.append("anywhere from {:.4g} to {:.4g}".format(*verdict.expected.interval))
    if verdict.requirement is not None:
        low, high = verdict.requirement.low, verdict.requirement.high
        parts.append(
            " and ".join(
                f"{word} {limit:g}" for word, limit in (("at least", low), ("at most", high)) if limit is not None
            )
        )
    if verdict.margin is not None and verdict.limits is not None:
        parts.append("margin {:.3g} in {:.4g} to {:.4g}".format(verdict.margin, *verdict.limits))
    if verdict.detectable:
        parts.append(f"sees from {verdict.detectable:.2g}")
    return "; ".join(parts) + (f" ({verdict.reason})" if verdict.reason else "")


def agrees(
    measured: Measurement | Unmeasured | Quantity,
    expectation: Expectation | Quantity,
    *,
    risk: float = 0.01,
    detect: Detect | None = None,
) -> Agreement:
    """Whether a measured quantity agrees with what is expected, for a user's own test.

        assert agrees(measured, expectation)

    One decision at false-alarm risk `risk`. `detect` is what must not go unseen, by default what the expectation
    carries: the fixture `expectation` brings the rig file's [detect] entry along. A quantity too wide to see that
    much does not agree: it cannot tell. Without either nothing is judged, which is no agreement, and the message says
    so. Raises UsageError for two different quantities, by name or by unit.
    """
    names = [name for name in (measured.name, expectation.name) if name]
    if len(set(names)) > 1:
        raise UsageError(f"agrees: expected two values of one quantity, found {' measured and '.join(names)} expected")
    name = names[0] if names else "quantity"
    result = Measurement(name=name, quantity=measured) if isinstance(measured, Quantity) else measured
    expected = expectation if isinstance(expectation, Expectation) else Expectation(name=name, quantity=expectation)
    asked = detect or expected.detect
    rule = Rule(planned=1, false_alarm_risk=risk, detect={} if asked is None else {name: asked})
    try:
        return Agreement(verdict=judge(result, expected, rule)[0])
    except ValueError as error:
        raise UsageError(f"agrees: {error}") from error
