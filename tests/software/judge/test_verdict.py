"""The rule: one risk for N numbers, width never rewarded, guard bands for both risks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode, UsageError
from harness.judge.agreement import agrees, describe
from harness.judge.tally import counts, exit_code, headline
from harness.judge.verdict import (
    UNASKED,
    Rule,
    against_expectation,
    decisions,
    e_number,
    judge,
    judge_all,
    tolerance_share,
    too_coarse,
    unasked,
)
from harness.nouns.coverage import safe_factor, student_quantile
from harness.nouns.quantity import (
    Contribution,
    Quantity,
    Shape,
    combine,
    difference,
    exact,
    from_covariance,
    normal,
    rectangular,
)
from harness.nouns.results import Detect, Expectation, Gauge, Measurement, Outcome, Requirement, Unmeasured, Verdict
from tests.examples import examples, rounds
from tests.software.judge.simulation import bell_plan, caught, demo_plan, false_alarms, interval, one_qualification

NAME = "leaf.stiffness.open_loop"
RULE = Rule(planned=40, detect={"stiffness.open_loop": Detect(percent=15)})
positive = st.floats(0.01, 10.0)


def measured(value: float, u: float = 0.01, dof: float = math.inf, name: str = NAME, **extra: Quantity) -> Measurement:
    q = normal(value, u, "N m/rad", f"{name}.scatter", dof, remedy="more points")
    return Measurement(name=name, quantity=combine([(1.0, q), *((1.0, part) for part in extra.values())], "N m/rad"))


def expected(value: float, u: float = 0.01, **fields: object) -> Expectation:
    q = normal(value, u, "N m/rad", "motor.leaf.resistance_ohm", remedy="four wires")
    return Expectation(name=NAME, quantity=q, **fields)  # type: ignore[arg-type]


def outcome(m: Measurement, e: Expectation | None, rule: Rule = RULE) -> Outcome:
    return against_expectation(m, e, rule).outcome


# --- the risk -----------------------------------------------------------------------------------


@given(st.integers(1, 200), st.floats(1e-4, 0.3), st.integers(1, 5))
def test_the_shares_make_up_the_risk(planned: int, risk: float, looks: int) -> None:
    each = Rule(planned=planned, false_alarm_risk=risk, runs_sharing_risk=looks).risk_each
    assert 1.0 - (1.0 - each) ** (planned * looks) == pytest.approx(risk, rel=1e-6)


def test_k_is_the_students_quantile_of_the_share() -> None:
    few = normal(0.0, 1.0, "", "x", dof=4)
    rule = Rule(planned=40)
    assert rule.factor(few) == pytest.approx(student_quantile(1.0 - rule.risk_each / 2.0, 4))
    assert rule.factor(few) > 10.0, "with 5 repeats a normal factor would not do"
    assert rule.factor(normal(0.0, 1.0, "", "x")) == pytest.approx(3.66, abs=0.01)
    assert rule.factor(exact(1.0, "")) == pytest.approx(3.66, abs=0.01)


@given(st.lists(st.tuples(positive, st.sampled_from([1.0, 3.0, 9.0, math.inf])), min_size=1, max_size=4))
def test_k_lies_between_the_quantiles_of_its_parts(parts: list[tuple[float, float]]) -> None:
    q = Quantity(value=0.0, unit="", budget={f"s{k}": Contribution(u=u, dof=dof) for k, (u, dof) in enumerate(parts)})
    quantiles = [student_quantile(0.999, dof) for _, dof in parts]
    assert min(quantiles) * (1 - 1e-9) <= safe_factor(q, 0.001) <= max(quantiles) * (1 + 1e-9)


def test_the_risk_of_a_whole_qualification_is_kept() -> None:
    """Few here; `python -m tests.software.judge.simulation` does 2000 of each kind."""
    number = rounds(80)
    alarms = false_alarms(number)
    assert interval(alarms, number, z=3.3)[0] < 0.01
    alarms = false_alarms(number, risk=0.3, seed=5)
    assert interval(alarms, number, z=3.3)[0] < 0.3


def test_normal_errors_spend_the_risk_and_no_more() -> None:
    low, high = interval(false_alarms(500, bell_plan(), risk=0.2), 500, z=3.3)
    assert low < 0.2 < high, "at a risk large enough to count alarms in a short test"


def test_the_simulation_can_fail() -> None:
    """A rule that shares the risk over one number where there are 44 alarms far too often."""
    import random

    plan = bell_plan()
    rule = Rule(planned=1, detect={name: Detect(absolute=1e3) for name in plan.names})
    dice = random.Random(2)
    alarms = sum(Outcome.DIFFERS in one_qualification(plan, rule, dice) for _ in range(100))
    assert interval(alarms, 100, z=3.3)[0] > 0.05


PLANS = {
    "normal": bell_plan(),
    "as a rig has them": demo_plan(),
    "tolerances": demo_plan(readings=(0,), shared=False),
    "3 readings": demo_plan(readings=(3,), shared=False),
}


@pytest.mark.parametrize("name", PLANS)
def test_a_deviation_of_the_stated_size_is_caught_95_times_in_100(name: str) -> None:
    seen, tried = caught(25, PLANS[name])
    low, high = interval(seen, tried, z=3.3)
    assert high > 0.95
    if name in ("normal", "tolerances"):
        assert low < 0.95 + 0.002, "and no more often: what stands there is not larger than it need be"


@pytest.mark.parametrize("fields", [{"planned": 0}, {"planned": 3, "runs_sharing_risk": 0}])
def test_a_rule_needs_decisions(fields: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="at least one decision and one run"):
        Rule(**fields)


@pytest.mark.parametrize("risk", [0.0, 1.0, -0.1])
def test_a_risk_is_between_0_and_1(risk: float) -> None:
    with pytest.raises(ValueError, match="lies between 0 and 1"):
        Rule(planned=1, false_alarm_risk=risk)


# --- against a model ------------------------------------------------------------------------------


@given(st.floats(-2.0, 2.0), positive, positive, st.sampled_from([2.0, 9.0, math.inf]), positive)
def test_the_rule_as_it_is_written(off: float, u_m: float, u_e: float, dof: float, must: float) -> None:
    m, e = measured(10.0 + off, u_m, dof), expected(10.0, u_e)
    rule = replace(RULE, detect={NAME: Detect(absolute=must)})
    verdict = against_expectation(m, e, rule)
    gap = difference(m.quantity, e.quantity)  # type: ignore[arg-type]
    k_u = rule.factor(gap) * gap.u
    assert verdict.limits == (pytest.approx(10.0 - k_u), pytest.approx(10.0 + k_u))
    assert verdict.detectable == pytest.approx(k_u + safe_factor(gap, 0.05) * gap.u)
    assert verdict.margin == pytest.approx(k_u - abs(gap.value), abs=1e-9)
    if abs(abs(gap.value) - k_u) > 1e-9:
        assert (verdict.outcome is Outcome.DIFFERS) == (abs(gap.value) > k_u)
    if verdict.outcome is Outcome.AGREES:
        assert verdict.detectable <= must
    if verdict.outcome is Outcome.CANNOT_TELL:
        assert verdict.detectable > must


shapes = st.sampled_from(["normal", "rectangular", "triangular"])
sources = st.lists(st.tuples(shapes, positive, st.sampled_from([2.0, 9.0, math.inf])), min_size=1, max_size=4)


def budgeted(stated: list[tuple[Shape, float, float]]) -> Measurement:
    budget = {
        f"s{number}": Contribution(u=u, shape=shape, dof=dof if shape == "normal" else math.inf)
        for number, (shape, u, dof) in enumerate(stated)
    }
    return Measurement(name=NAME, quantity=Quantity(value=10.0, unit="N m/rad", budget=budget))


@examples(60)
@given(sources, st.integers(0, 3), st.floats(1.0, 10.0))
def test_what_is_seen_lies_beyond_the_limit_and_grows_with_every_part(
    stated: list[tuple[Shape, float, float]], which: int, times: float
) -> None:
    before = against_expectation(budgeted(stated), expected(10.0), RULE)
    assert before.limits is not None and before.detectable is not None
    limit = before.limits[1] - 10.0
    assert limit < before.detectable <= 2.0 * limit
    shape, u, dof = stated[which % len(stated)]
    stated[which % len(stated)] = (shape, times * u, dof)
    after = against_expectation(budgeted(stated), expected(10.0), RULE)
    assert after.limits is not None and after.detectable is not None
    assert after.limits[1] - 10.0 >= limit * 0.998 and after.detectable >= before.detectable * 0.998


def test_a_tolerance_hides_no_more_than_it_is_wide() -> None:
    """Of a half-width of 1: beyond it nothing healthy lies, and off by 1.9 of it 95 times in 100 all is beyond."""
    tolerance = rectangular(10.0, 1.0, "N m/rad", "motor.leaf.resistance_ohm")
    e = Expectation(name=NAME, quantity=tolerance)
    m = Measurement(name=NAME, quantity=exact(10.0, "N m/rad"))
    verdict = against_expectation(m, e, RULE)
    assert verdict.limits == (pytest.approx(9.0, abs=1e-3), pytest.approx(11.0, abs=1e-3))
    assert verdict.detectable == pytest.approx(1.9, abs=1e-3)


@given(st.floats(-0.5, 0.5), positive, st.floats(1.01, 20.0))
def test_width_is_never_rewarded(off: float, u: float, wider: float) -> None:
    """A quantity that does not agree never comes to agree by being measured worse."""
    rule = replace(RULE, detect={NAME: Detect(absolute=1.0)})
    narrow = outcome(measured(10.0 + off, u), expected(10.0), rule)
    wide = outcome(measured(10.0 + off, u * wider), expected(10.0), rule)
    if wide is Outcome.AGREES:
        assert narrow is not Outcome.CANNOT_TELL


def test_what_cannot_be_seen_names_the_largest_contribution_and_its_remedy() -> None:
    verdict = against_expectation(measured(0.5, 0.05), expected(0.5, 0.01), RULE)
    assert verdict.outcome is Outcome.CANNOT_TELL
    assert "must see 0.075" in verdict.reason
    assert "largest contribution: leaf.stiffness.open_loop.scatter (96% of the variance): more points" in verdict.reason
    verdict = against_expectation(measured(0.5, 0.01), expected(0.5, 0.05), RULE)
    assert "motor.leaf.resistance_ohm (96% of the variance): four wires" in verdict.reason


def test_a_deviation_seen_counts_however_wide() -> None:
    assert outcome(measured(1.5, 0.05), expected(0.5, 0.01)) is Outcome.DIFFERS


def test_shared_sources_are_taken_out() -> None:
    shared = rectangular(0.0, 1.0, "N m/rad", "supply.voltage_v")
    e = Expectation(name=NAME, quantity=combine(((1.0, expected(5.0).quantity), (1.0, shared)), "N m/rad"))  # type: ignore[arg-type]
    assert outcome(measured(5.0, supply=shared), e) is Outcome.AGREES
    apart = rectangular(0.0, 1.0, "N m/rad", "another supply")
    assert outcome(measured(5.0, supply=apart), e) is Outcome.CANNOT_TELL


def test_a_deviation_needs_no_detect_entry() -> None:
    verdict = against_expectation(measured(0.9), expected(0.5), Rule(planned=1))
    assert verdict.outcome is Outcome.DIFFERS and verdict.must_detect is None
    assert verdict.reason.startswith("+0.4 N m/rad off (+80 %)")


@given(st.floats(-2.0, 2.0), positive, st.booleans())
def test_a_detect_entry_decides_of_agreement_only(off: float, u: float, wide: bool) -> None:
    m, e = measured(10.0 + off, u), expected(10.0, u)
    asked = against_expectation(m, e, replace(RULE, detect={NAME: Detect(absolute=1e-6 if wide else 1e6)}))
    silent = against_expectation(m, e, replace(RULE, detect={}))
    assert (silent.outcome is Outcome.DIFFERS) == (asked.outcome is Outcome.DIFFERS)
    assert silent.outcome in (Outcome.DIFFERS, Outcome.NOT_JUDGED)


def test_no_detect_entry_is_not_judged_where_nothing_differs() -> None:
    verdict = against_expectation(measured(0.51), expected(0.5), Rule(planned=1))
    assert verdict.outcome is Outcome.NOT_JUDGED
    assert verdict.reason == UNASKED == "needs an entry in [detect] of the rig file, which says nothing of it"
    assert verdict.e_n is not None and verdict.limits is not None


def test_what_the_rig_file_asks_nothing_of_is_said_in_one_line() -> None:
    names = ["leaf.step.decay", "leaf.step.overshoot", "wheel.step.decay"]
    start = "measured, not judged: [detect] of the rig file says nothing of "
    assert unasked(names) == start + "step.decay, step.overshoot"
    assert unasked(names, ["wheel.step.overshoot"]) == start + "step.decay, leaf.step.overshoot"


def test_absent_knowledge_is_not_judged() -> None:
    silent = Expectation(name=NAME, needs=("motor.leaf.flux_linkage_v_s",))
    assert against_expectation(measured(0.5), silent, RULE).reason == "needs motor.leaf.flux_linkage_v_s"
    silent = Expectation(name=NAME, needs=("needs in a name", "supply.voltage_v"))
    assert against_expectation(measured(0.5), silent, RULE).reason == "needs needs in a name, supply.voltage_v"
    words = "needs a model of this quantity, or a baseline"
    assert against_expectation(measured(0.5), None, RULE).reason == words
    assert against_expectation(measured(0.5), Expectation(name=NAME), RULE).reason == words
    assert outcome(measured(0.5), None) is Outcome.NOT_JUDGED


def test_a_motors_own_entry_goes_first() -> None:
    rule = replace(RULE, detect={**RULE.detect, NAME: Detect(absolute=1e-6)})
    assert outcome(measured(0.5), expected(0.5), rule) is Outcome.CANNOT_TELL
    assert outcome(measured(0.5, 0.001), expected(0.5)) is Outcome.AGREES


def test_two_units_are_a_mistake() -> None:
    m = Measurement(name=NAME, quantity=normal(1.0, 0.1, "N m", "x"))
    with pytest.raises(ValueError, match=r"measured in N m, expected in N m/rad"):
        against_expectation(m, expected(1.0), RULE)


@given(st.integers(-3, 3), st.integers(-3, 3))
def test_exact_things_are_equal_or_not(m: int, e: int) -> None:
    """Directions, orders, counts: no detect entry is asked for, nothing is allowed."""
    verdict = against_expectation(
        Measurement(name="leaf.commutation.direction", quantity=exact(m, "1")),
        Expectation(name="leaf.commutation.direction", quantity=exact(e, "1")),
        RULE,
    )
    assert verdict.outcome is (Outcome.AGREES if m == e else Outcome.DIFFERS)
    assert verdict.e_n is None


@given(st.floats(-2.0, 2.0))
def test_anywhere_in_an_interval_agrees(value: float) -> None:
    """A shaft held by friction rests anywhere between the ends; the budget belongs to the ends."""
    rule = replace(RULE, detect={NAME: Detect(absolute=5.0)})
    e = expected(0.0, 0.01, interval=(-0.5, 0.5))
    verdict = against_expectation(measured(value), e, rule)
    k_u = rule.factor(exact(0.0, "")) * math.hypot(0.01, 0.01)
    if abs(abs(value) - 0.5 - k_u) > 1e-9:
        assert (verdict.outcome is Outcome.AGREES) == (abs(value) < 0.5 + k_u)
    assert verdict.detectable == pytest.approx(0.5 + k_u + 1.6449 * math.hypot(0.01, 0.01), rel=1e-5)
    if abs(value) <= 0.5:
        assert verdict.e_n == 0.0


def test_a_wide_interval_cannot_tell() -> None:
    rule = replace(RULE, detect={NAME: Detect(absolute=0.4)})
    assert outcome(measured(0.0), expected(0.0, 0.01, interval=(-0.5, 0.5)), rule) is Outcome.CANNOT_TELL


def test_e_n_is_shown_and_does_not_decide() -> None:
    rule = replace(RULE, detect={NAME: Detect(absolute=1.0)})
    verdict = against_expectation(measured(0.5 + 0.035), expected(0.5), rule)
    assert verdict.e_n is not None and verdict.e_n > 1.0
    assert verdict.outcome is Outcome.AGREES
    assert e_number(0.0, exact(1.0, ""), exact(1.0, "")) is None


def test_unmeasured_stays_what_it_is() -> None:
    (verdict,) = judge(Unmeasured(name=NAME, outcome=Outcome.NOT_RUN, reason="because no supply"), expected(1.0), RULE)
    assert verdict.outcome is Outcome.NOT_RUN and verdict.reason == "because no supply" and verdict.expected is not None


def test_the_note_goes_along() -> None:
    m = replace(measured(0.5), note="phase C carries no current")
    assert against_expectation(m, expected(0.5), RULE).note == "phase C carries no current"


def test_a_second_look_costs() -> None:
    once, twice = Rule(planned=40), Rule(planned=40, runs_sharing_risk=2)
    assert twice.risk_each < once.risk_each
    assert twice.factor(exact(0.0, "")) > once.factor(exact(0.0, ""))


# --- against a requirement ----------------------------------------------------------------------


@given(st.floats(0.0, 2.0), positive, st.sampled_from([3.0, math.inf]))
def test_guard_bands_on_both_sides(value: float, u: float, dof: float) -> None:
    m = measured(value, u / 10.0, dof)
    rule = replace(RULE, requirements={"stiffness.open_loop": Requirement(name=NAME, high=1.0)})
    (verdict,) = judge(m, None, rule)
    refuse = student_quantile(1.0 - rule.risk_each, dof) * m.quantity.u
    accept = student_quantile(0.95, dof) * m.quantity.u
    if min(abs(value - 1.0 - refuse), abs(1.0 - accept - value)) > 1e-9:
        if value > 1.0 + refuse:
            assert verdict.outcome is Outcome.NONCONFORMING
        elif value < 1.0 - accept:
            assert verdict.outcome is Outcome.CONFORMING
        else:
            assert verdict.outcome is Outcome.UNDECIDED and "largest contribution" in verdict.reason
    assert verdict.margin == pytest.approx(1.0 - accept - value)


def errors_outside(value: float, u: float, low: float, high: float) -> float:
    """Probability that a normal error takes the true value outside two limits."""
    return 0.5 * (math.erfc((value - low) / u / math.sqrt(2.0)) + math.erfc((high - value) / u / math.sqrt(2.0)))


@given(st.floats(-1.5, 1.5), st.floats(0.02, 3.0), st.floats(0.005, 0.4))
def test_of_two_limits_both_tails_count(value: float, u: float, risk: float) -> None:
    requirement = Requirement(name=NAME, low=-1.0, high=1.0)
    rule = Rule(planned=40, false_acceptance_risk=risk, requirements={NAME: requirement})
    verdict = judge(measured(value, u), None, rule)[0]
    outside = errors_outside(value, u, -1.0, 1.0)
    if abs(outside / risk - 1.0) > 5e-3:
        assert (verdict.outcome is Outcome.CONFORMING) == (outside < risk)
    assert verdict.margin is not None
    assert verdict.outcome is not Outcome.CONFORMING or verdict.margin >= 0.0


def test_at_the_middle_of_a_narrow_tolerance_nothing_conforms() -> None:
    """With u a third of it 13 % lie outside, 6.7 % on either side."""
    rule = Rule(planned=1, false_acceptance_risk=0.1, requirements={NAME: Requirement(name=NAME, low=-0.5, high=0.5)})
    verdict = judge(measured(0.0, 1.0 / 3.0), None, rule)[0]
    assert verdict.outcome is Outcome.UNDECIDED and "guard band" in verdict.reason
    assert judge(measured(0.0, 1.0 / 3.0), None, replace(rule, false_acceptance_risk=0.14))[0].outcome is (
        Outcome.CONFORMING
    )


@given(st.floats(0.05, 20.0), st.floats(1e-4, 0.2))
def test_an_item_at_either_limit_is_refused_no_more_often_than_stated(u: float, risk: float) -> None:
    requirement = Requirement(name=NAME, low=-1.0, high=1.0)
    rule = Rule(planned=1, false_alarm_risk=risk, requirements={NAME: requirement})
    low, high = (bisected(sign, u, rule) for sign in (-1.0, 1.0))
    assert errors_outside(1.0, u, -low, high) == pytest.approx(risk, rel=5e-3)


def bisected(sign: float, u: float, rule: Rule) -> float:
    """The size from which on a measured value of that sign is nonconforming."""
    inside, outside = 0.0, 1.0 + 10.0 * u
    for _ in range(40):
        middle = (inside + outside) / 2.0
        word = judge(measured(sign * middle, u), None, rule)[0].outcome
        inside, outside = (inside, middle) if word is Outcome.NONCONFORMING else (middle, outside)
    return outside


def test_both_limits_and_no_uncertainty() -> None:
    rule = replace(RULE, requirements={NAME: Requirement(name=NAME, low=-1.0, high=1.0)})
    for value, word in ((0.0, Outcome.CONFORMING), (1.0, Outcome.CONFORMING), (-1.1, Outcome.NONCONFORMING)):
        (verdict,) = judge(Measurement(name=NAME, quantity=exact(value, "N m/rad")), None, rule)
        assert verdict.outcome is word
    assert "beyond the limit -1" in verdict.reason


def test_a_quantity_with_both_gets_two_verdicts() -> None:
    rule = replace(RULE, requirements={"stiffness.open_loop": Requirement(name=NAME, low=0.1)})
    model, limit = judge(measured(0.5, 0.001), expected(0.5, 0.001), rule)
    assert (model.outcome, limit.outcome) == (Outcome.AGREES, Outcome.CONFORMING)
    assert decisions([NAME, "leaf.step.delay"], rule.requirements) == 3
    (gone,) = judge(Unmeasured(name=NAME, outcome=Outcome.CANNOT_TELL, reason="too few points"), None, rule)
    assert gone.requirement is not None


# --- words and counts ---------------------------------------------------------------------------


def test_two_different_quantities_are_refused() -> None:
    leaf, wheel = (normal(0.5, 0.01, "N m/rad", "a"), Expectation(name="wheel.stiffness.closed_loop"))
    named = replace(leaf, name="leaf.stiffness.closed_loop")
    words = "leaf.stiffness.closed_loop measured and wheel.stiffness.closed_loop expected"
    with pytest.raises(UsageError, match=words):
        agrees(named, replace(wheel, quantity=leaf), detect=Detect(percent=50))
    with pytest.raises(UsageError, match=r"measured in N m/rad, expected in N m"):
        agrees(leaf, normal(0.5, 0.01, "N m", "b"), detect=Detect(percent=50))


def test_what_a_failing_test_shows_is_short() -> None:
    wide = from_covariance([0.5] * 9, np.eye(9).tolist(), ["N m"] * 9, "a fit", 7.0)[0]
    quantity = replace(wide, name="leaf.stiffness.friction")
    assert repr(quantity) == "<leaf.stiffness.friction: 0.5 N m (u = 1)>"
    assert repr(Expectation(name=NAME, quantity=wide)) == f"<{NAME}: expected 0.5 N m (u = 1)>"
    assert repr(Expectation(name=NAME, needs=("room",))) == f"<{NAME}: needs room>"
    assert repr(Measurement(name=NAME, quantity=wide)) == f"<{NAME}: measured 0.5 N m (u = 1)>"


def test_agrees_for_a_users_own_test() -> None:
    assert agrees(normal(1.0, 0.01, "V", "a"), normal(1.01, 0.01, "V", "b"), detect=Detect(percent=10))
    answer = agrees(measured(0.9), expected(0.5))
    assert not answer
    said = ("differs", "measured 0.9 N m/rad (u = 0.01)", "expected 0.5 N m/rad (u = 0.01)", "margin -0.36", "off")
    for words in said:
        assert words in repr(answer)
    vague = agrees(measured(0.5, 0.2), expected(0.5), detect=Detect(percent=10))
    assert not vague and "cannot tell" in repr(vague)
    unasked = agrees(measured(0.5, 0.2), expected(0.5))
    assert not unasked, "nothing says what must be seen, and so nothing was judged"
    assert "not judged" in repr(unasked) and "detect=" in repr(unasked) and "sees from" in repr(unasked)
    assert "differs" in repr(agrees(measured(0.9), expected(0.5))), "what differs needs no such entry"
    carried = replace(expected(0.5), detect=Detect(percent=10))
    assert "cannot tell" in repr(agrees(measured(0.5, 0.2), carried)), "what the rig file asks for counts"
    assert agrees(measured(0.5, 0.2), carried, detect=Detect(absolute=5.0)), "one's own goes first"
    assert not agrees(measured(0.5), Expectation(name=NAME, needs=("the supply's voltage",)))
    assert not agrees(Unmeasured(name=NAME, outcome=Outcome.NOT_RUN, reason="because of the load"), expected(1.0))


def test_a_failing_assert_prints_the_comparison() -> None:
    with pytest.raises(AssertionError, match=r"leaf\.stiffness\.open_loop: differs; measured 0\.9"):
        assert agrees(measured(0.9), expected(0.5))


def test_judge_all_keeps_the_order_and_finds_by_name() -> None:
    other = "wheel.stiffness.open_loop"
    verdicts = judge_all([measured(0.5, 0.001, name=other), measured(0.5, 0.001)], [expected(0.5, 0.001)], RULE)
    assert [verdict.name for verdict in verdicts] == [other, NAME]
    assert [verdict.outcome for verdict in verdicts] == [Outcome.NOT_JUDGED, Outcome.AGREES]


def verdict_of(word: Outcome, name: str = NAME) -> Verdict:
    return Verdict(name=name, outcome=word)


@pytest.mark.parametrize(
    ("words", "required", "code"),
    [
        ([Outcome.AGREES], (), ExitCode.AGREES),
        ([Outcome.AGREES, Outcome.NOT_RUN], (), ExitCode.AGREES),
        ([Outcome.CONFORMING, Outcome.NOT_JUDGED], (), ExitCode.AGREES),
        ([Outcome.NOT_RUN], ("stiffness",), ExitCode.UNDECIDED),
        ([Outcome.NOT_JUDGED], ("stiffness.open_loop",), ExitCode.UNDECIDED),
        ([Outcome.CONFORMING, Outcome.NOT_JUDGED], ("stiffness.open_loop",), ExitCode.AGREES),
        ([Outcome.AGREES, Outcome.NOT_RUN], (NAME,), ExitCode.AGREES),
        ([Outcome.AGREES, Outcome.NOT_JUDGED], ("step",), ExitCode.UNDECIDED),
        ([Outcome.AGREES], ("stiffness",), ExitCode.AGREES),
        ([Outcome.AGREES], ("leaf.stiffness",), ExitCode.AGREES),
        ([Outcome.NOT_RUN, Outcome.NOT_JUDGED], ("leaf.stiffness",), ExitCode.UNDECIDED),
        ([Outcome.AGREES], ("wheel.stiffness",), ExitCode.UNDECIDED),
        ([Outcome.NOT_JUDGED], (), ExitCode.UNDECIDED),
        ([], (), ExitCode.UNDECIDED),
        ([Outcome.AGREES, Outcome.CANNOT_TELL], (), ExitCode.UNDECIDED),
        ([Outcome.AGREES, Outcome.UNDECIDED], (), ExitCode.UNDECIDED),
        ([Outcome.DIFFERS, Outcome.CANNOT_TELL], (), ExitCode.DIFFERS),
        ([Outcome.NONCONFORMING, Outcome.AGREES], (), ExitCode.DIFFERS),
    ],
)
def test_exit_codes(words: list[Outcome], required: tuple[str, ...], code: ExitCode) -> None:
    assert exit_code([verdict_of(word) for word in words], required) is code


SPREAD, DECAY, OFFSET = "leaf.commutation.step_spread", "leaf.step.decay", "leaf.commutation.offset"


def left_open(name: str, *needs: str) -> Verdict:
    """Measured and not judged: for want of [detect], or of what the model needs."""
    if not needs:
        return Verdict(name=name, outcome=Outcome.NOT_JUDGED, unasked=True, reason=UNASKED)
    return Verdict(name=name, outcome=Outcome.NOT_JUDGED, expected=Expectation(name=name, needs=needs))


@pytest.mark.parametrize(
    ("verdict", "required", "code"),
    [
        (left_open(SPREAD, "how evenly the magnets sit, which no rig file states"), "commutation", ExitCode.AGREES),
        (left_open(SPREAD, "how evenly the magnets sit, which no rig file states"), SPREAD, ExitCode.UNDECIDED),
        (left_open(SPREAD, "how evenly the magnets sit, which no rig file states"), SPREAD[5:], ExitCode.UNDECIDED),
        (left_open(DECAY), "step", ExitCode.AGREES),
        (left_open(DECAY), "leaf.step", ExitCode.AGREES),
        (left_open(DECAY), DECAY, ExitCode.UNDECIDED),
        (left_open(DECAY, "motor.leaf.coulomb_friction_n_m"), "step", ExitCode.UNDECIDED),
        (left_open(OFFSET), "commutation", ExitCode.UNDECIDED),
        (left_open(OFFSET, "motor.leaf.electrical_offset_rad"), "commutation", ExitCode.UNDECIDED),
        (verdict_of(Outcome.NOT_RUN, SPREAD), "commutation", ExitCode.UNDECIDED),
    ],
)
def test_a_whole_check_is_required_without_what_nobody_asks_of_it(
    verdict: Verdict, required: str, code: ExitCode
) -> None:
    """Its [detect] entry taken out of the rig file does not excuse a quantity that has a usual one."""
    others = [verdict_of(Outcome.AGREES, name) for name in ("leaf.commutation.direction", "leaf.step.delay")]
    assert exit_code([*others, verdict], [required]) is code


@given(st.lists(st.sampled_from(list(Outcome)), max_size=20))
def test_the_headline_counts_everything(words: list[Outcome]) -> None:
    verdicts = [verdict_of(word) for word in words]
    assert sum(counts(verdicts).values()) == len(words)
    said = headline(verdicts).split(", ") if words else []
    assert sum(int(part.split()[0]) for part in said) == len(words)


@examples(30)
@given(st.floats(-1e3, 1e3), positive)
def test_every_verdict_can_be_said_in_one_line(value: float, u: float) -> None:
    rule = replace(RULE, requirements={NAME: Requirement(name=NAME, low=-5.0, high=5.0)})
    for verdict in judge(measured(value, u), expected(1.0, 0.1, interval=(0.5, 1.5)), rule):
        line = describe(verdict)
        assert "\n" not in line and line.startswith(f"{NAME}: {verdict.outcome.value}")


def test_the_plan_of_the_simulation_has_small_samples_and_shared_inputs() -> None:
    plan = demo_plan()
    assert {count for _, count in plan.scatter} >= {0, 3, 5}
    assert max(sum(name in inputs for inputs in plan.expected) for name in plan.file) > 5


# --- the gauge ----------------------------------------------------------------------------------


LIMIT = Requirement(name="stiffness.open_loop", high=1.0)
BENCHES = "reproducibility between benches; what would help: x"
GAUGE = Gauge(name=NAME, grr=0.05, mean=0.5, largest=BENCHES, study=3, made_utc="2026-11-27")


def required(value: float, grr: float, **changes: object) -> Verdict:
    gauge = replace(GAUGE, grr=grr)
    rule = Rule(planned=40, requirements={"stiffness.open_loop": LIMIT}, gauge={NAME: gauge}, **changes)  # type: ignore[arg-type]
    return judge(measured(value), None, rule)[0]


def test_a_quantity_whose_gauge_is_too_coarse_never_conforms() -> None:
    assert required(0.5, 0.04).outcome is Outcome.CONFORMING
    found = required(0.5, 0.1)
    assert found.outcome is Outcome.UNDECIDED
    assert found.reason == (
        "the gauge takes 60 % of the tolerance (study 3 of 2026-11-27, at most 30 %): "
        "largest part: reproducibility between benches; what would help: x"
    )
    assert found.margin is not None
    assert found.margin > 0.4, "the reading itself lies well"
    assert exit_code([found]) is ExitCode.UNDECIDED


def test_what_is_beyond_the_limit_stays_nonconforming_however_coarse_the_gauge() -> None:
    assert required(2.0, 0.1).outcome is Outcome.NONCONFORMING
    assert "gauge" not in required(2.0, 0.1).reason


def test_within_the_guard_band_both_reasons_stand() -> None:
    found = required(0.999, 0.1)
    assert found.outcome is Outcome.UNDECIDED
    assert "within the guard band" in found.reason
    assert "the gauge takes 60 %" in found.reason
    assert "gauge" not in required(0.999, 0.01).reason


def test_the_allowed_share_and_todays_limits_decide() -> None:
    assert required(0.5, 0.1, gauge_share_max=0.65).outcome is Outcome.CONFORMING
    assert required(0.5, 0.04, gauge_share_max=0.2).outcome is Outcome.UNDECIDED
    moved = Rule(
        planned=1, requirements={NAME: Requirement(name=NAME, high=2.0)}, gauge={NAME: replace(GAUGE, grr=0.1)}
    )
    assert judge(measured(0.5), None, moved)[0].outcome is Outcome.CONFORMING
    assert "at most 30 %" in too_coarse(replace(GAUGE, mean=1.0), LIMIT, 0.3)
    assert too_coarse(GAUGE, LIMIT, tolerance_share(GAUGE.grr, GAUGE.mean, LIMIT)) == "", "at most, not below"
    assert "more than 10000 %" in too_coarse(replace(GAUGE, mean=1.0), LIMIT, 0.3)


def test_the_gauge_of_another_quantity_says_nothing() -> None:
    other = {"wheel.stiffness.open_loop": replace(GAUGE, grr=9.0)}
    rule = Rule(planned=40, requirements={"stiffness.open_loop": LIMIT}, gauge=other)
    assert judge(measured(0.5), None, rule)[0].outcome is Outcome.CONFORMING


@given(st.floats(-3.0, 3.0), st.floats(0.0, 1.0), st.floats(0.01, 1.0))
def test_a_gauge_only_ever_takes_conforming_away(value: float, grr: float, most: float) -> None:
    without = judge(measured(value), None, Rule(planned=40, requirements={NAME: LIMIT}))[0].outcome
    rule = Rule(planned=40, requirements={NAME: LIMIT}, gauge={NAME: replace(GAUGE, grr=grr)}, gauge_share_max=most)
    found = judge(measured(value), None, rule)[0].outcome
    coarse = 3.0 * grr / 0.5 > most
    assert found is (Outcome.UNDECIDED if coarse and without is Outcome.CONFORMING else without)


def test_a_code_is_told_with_what_it_says() -> None:
    name = "leaf.conduct.following"
    (verdict,) = judge(
        Measurement(name=name, quantity=exact(3, "1")), Expectation(name=name, quantity=exact(0, "1")), Rule(planned=1)
    )
    assert verdict.reason == "3 (one way only) where 0 (as told) is expected"


def test_the_margin_of_what_has_an_upper_limit_alone_is_to_that_limit() -> None:
    name = "leaf.conduct.time_to_off"
    allowed = {"quantity": exact(0.0, "s"), "interval": (0.0, 0.1)}
    for found in (rectangular(1e-3, 1e-6, "s", "clock"), exact(1e-3, "s")):
        quick = Measurement(name=name, quantity=found)
        (verdict,) = judge(quick, Expectation(name=name, from_floor=True, **allowed), Rule(planned=1))
        assert verdict.margin == pytest.approx(0.099, abs=1e-5)
        (verdict,) = judge(quick, Expectation(name=name, **allowed), Rule(planned=1))
        assert verdict.margin == pytest.approx(0.001, abs=1e-5)
