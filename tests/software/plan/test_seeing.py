"""What a plan says will be seen is what the verdict of a run says, once it was measured as the plan was told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.definition import Check
from harness.checks.registry import check_named
from harness.judge.verdict import against_expectation
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Detect, Expectation, Measurement, Outcome
from harness.nouns.standing import Standing
from harness.plan.assumed import declarations
from harness.plan.plan import Plan, plan_of
from harness.plan.seeing import BY_REQUIREMENT, CAN_TELL, CANNOT_TELL, EQUAL, NOT_JUDGED, NOT_RUN, UNKNOWN
from tests.software.plan.rigs import HANDWHEEL, SLUICE, demo, of_steel

NAME = "leaf.stiffness.closed_loop"


SPEC = demo()


@cache
def modelled(check: str, motor: str) -> list[Expectation]:
    """Of the demo's rig file, once: a model takes longer than all else of a plan."""
    return check_named(check).model(SPEC, declarations(SPEC).for_motor(motor), motor)


def quick(name: str) -> Check[Any]:
    """A check whose model is asked once."""
    return replace(check_named(name), model=lambda _spec, _declared, motor: modelled(name, motor))


def outlook(plan: Plan, name: str = NAME):
    return next(each for each in plan.quantities if each.name == name)


def expected(name: str) -> Expectation:
    motor, check, _ = name.split(".")
    return next(each for each in modelled(check, motor) if each.name == name)


@given(
    st.sampled_from(
        [NAME, "leaf.step.delay", "wheel.stiffness.friction", "leaf.thermal.rise", "leaf.commutation.offset"]
    ),
    st.floats(1e-3, 0.3),
    st.integers(2, 40),
    st.integers(1, 5),
)
def test_a_run_that_measures_so_sees_so_much(name, share, dof, repeats):
    about = expected(name).quantity
    assert about is not None
    measured = normal(about.value, share * abs(about.value), about.unit, "readings", dof=float(dof))
    plan = plan_of(SPEC, quick, repeats=repeats, measured={name: measured})
    verdict = against_expectation(Measurement(name=name, quantity=measured), expected(name), plan.rule)
    found = outlook(plan, name)
    assert found.seen_from == pytest.approx(verdict.detectable)
    assert found.must_see == verdict.must_detect
    assert found.measured
    assert (found.word == CANNOT_TELL) == (verdict.outcome is Outcome.CANNOT_TELL)
    least = found.least_seen_from
    assert least is not None and found.seen_from is not None and least <= found.seen_from * (1.0 + 1e-12)


def test_a_vaguer_rig_file_sees_less_and_is_named():
    usual = outlook(plan_of(SPEC, quick))
    known = "flux_linkage_v_s = { value = 6.6e-3, tolerance_percent = "
    vague = outlook(plan_of(of_steel(SLUICE, (f"{known}3", f"{known}12")), check_named))
    assert (usual.word, usual.standing, usual.verdicts) == (CAN_TELL, Standing.GOOD, 1)
    assert (vague.word, vague.standing, vague.verdicts) == (CANNOT_TELL, Standing.OPEN, 0)
    assert vague.seen_from > 2.0 * usual.seen_from
    assert vague.limited_by.startswith("motor.leaf.flux_linkage_v_s (")
    assert "motor.leaf.flux_linkage_v_s" in vague.reason


def test_an_instrument_that_limits_is_named():
    coarse = ("voltage_accuracy = { percent = 0.05, offset = 0.005 }", "voltage_accuracy = { percent = 5, offset = 0 }")
    plan = plan_of(of_steel(SLUICE, coarse), check_named)
    assert outlook(plan, "leaf.stiffness.supply_voltage").limited_by.startswith("instrument.supply.voltage_gain (")


def test_more_repeats_see_less_each():
    one, five = (outlook(plan_of(SPEC, quick, repeats=repeats)).seen_from for repeats in (1, 5))
    assert one < five


def test_each_word_has_its_quantity():
    plan = plan_of(demo(HANDWHEEL), check_named)
    words = {name: outlook(plan, name).word for name in (
        "leaf.commutation.direction", "leaf.commutation.pole_pairs", "leaf.commutation.step_spread", "leaf.step.decay",
        "leaf.thermal.rise", "leaf.stiffness.torque_per_ampere", NAME,
    )}  # fmt: skip
    assert list(words.values()) == [EQUAL, UNKNOWN, BY_REQUIREMENT, NOT_JUDGED, NOT_RUN, NOT_RUN, CAN_TELL]
    assert outlook(plan, "leaf.stiffness.torque_per_ampere").reason.startswith(
        "needs an [instrument.*] of class supply"
    )


def test_nothing_is_promised_of_what_only_readings_tell():
    found = outlook(plan_of(SPEC, quick), "leaf.commutation.pole_pairs")
    assert found.seen_from is None
    assert found.reason == "its own readings decide: known after a first run, with --against"
    told = outlook(
        plan_of(SPEC, quick, measured={"leaf.commutation.pole_pairs": normal(10.0, 0.05, "1", "fit", dof=9.0)}),
        "leaf.commutation.pole_pairs",
    )
    assert told.word == CAN_TELL
    assert told.limited_by.startswith("fit (")


def test_what_is_counted_is_equal_or_not_as_it_was_measured():
    name = "leaf.commutation.direction"
    plan = plan_of(SPEC, quick, measured={name: exact(1.0, "1")})
    assert (outlook(plan, name).word, outlook(plan, name).seen_from) == (EQUAL, 0.0)


def test_a_wider_question_is_answered():
    plan = plan_of(SPEC, quick)
    asked = replace(plan.rule, detect={**plan.rule.detect, "stiffness.closed_loop": Detect(percent=5.0)})
    assert asked.detect_for(NAME) == Detect(percent=5.0)
    narrow = demo().model_copy(update={"detect": asked.detect})
    assert outlook(plan_of(narrow, quick)).word == CANNOT_TELL
