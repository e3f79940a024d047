"""What could only end undecided is told before anything is opened, with what to change; nothing else is."""

from __future__ import annotations

import re
from datetime import date

import pytest

from harness.checks.registry import check_named
from harness.compare.foreseen import ForeseenDifference
from harness.gate import Policy, load_policy
from harness.gate.policy import loads_policy
from harness.nouns.quantity import Quantity, rectangular
from harness.plan.obstacles import obstacles
from harness.plan.plan import Plan, plan_of
from harness.rigfile import RigSpec
from tests.software.plan.rigs import HANDWHEEL, ROOT, SLUICE, demo, of_steel

DAY = date(2027, 1, 1)
SHIPPED = ROOT / "rigs_demo" / "policies" / "release.toml"
SPARE = 1.5
"""Times what the runs usually take: time to spare (arbitrary)."""


def policy(*changes: tuple[str, str]) -> Policy:
    text = SHIPPED.read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return loads_policy(text.encode(), "release.toml")


STEEL, BATTERY = of_steel(), of_steel(HANDWHEEL)


def plan(spec: RigSpec, repeats: int = 2, **given: object) -> Plan:
    return plan_of(spec, check_named, repeats=repeats, **given)  # type: ignore[arg-type]


def seen(name: str, **given: object) -> dict[str, ForeseenDifference]:
    return {name: ForeseenDifference(name=name, **given)}  # type: ignore[arg-type]


def test_the_shipped_policy_is_possible_on_steel_with_time_to_spare():
    shipped = load_policy(SHIPPED)
    steel = plan(STEEL, shipped.repeats)
    assert obstacles(steel, shipped, "", DAY) == ()
    assert SPARE * steel.whole.usual_s < shipped.time_budget_s


@pytest.mark.parametrize(("budget_s", "possible"), [(600.0, False), (5400.0, True)])
def test_a_time_that_no_runs_fit_in_is_told_with_what_would_do(budget_s, possible):
    steel = plan(STEEL)
    found = obstacles(steel, policy(("5400.0", str(budget_s))), "", DAY)
    assert (found == ()) is possible
    if not possible:
        (line,) = found
        assert line.startswith("release.toml: time_budget_s: 2 runs take at least ")
        wanted_s = float(line.partition("allow ")[2].partition(" s or more")[0])
        assert obstacles(steel, policy(("5400.0", str(wanted_s))), "", DAY) == ()


def test_one_run_that_is_longer_than_all_the_time_is_told():
    (line,) = obstacles(plan(STEEL, 1), policy(("5400.0", "300.0"), ("repeats = 2", "repeats = 1")), "", DAY)
    assert re.search(r": 1 run takes at least \d+ min on this rig", line)
    assert "fewer repeats" not in line


def test_a_check_that_is_required_is_there_without_what_nobody_asks_of_it():
    """As a run has it: no obstacle for a quantity that no run would miss."""
    whole = of_steel(SLUICE, ("required = [", 'required = ["commutation", "step", "thermal", '))
    assert obstacles(plan(whole), None, "", DAY) == ()


def test_a_bench_that_computes_its_time_is_not_asked_for_any():
    assert obstacles(plan(demo()), policy(("5400.0", "60.0")), "", DAY) == ()


def test_a_required_quantity_that_the_rig_cannot_measure_is_told_with_what_to_add():
    found = obstacles(plan(BATTERY), policy(), "", DAY)
    assert found == (
        "release.toml: required: thermal.driver_rise: wheel.thermal.driver_rise cannot be measured on this rig: "
        "needs a supply: add an [instrument.NAME] of class supply; or leave it out",
    )


def test_what_only_a_part_of_a_check_lacks_is_told_too():
    required = policy(('"thermal.driver_rise"', '"stiffness.torque_per_ampere"'))
    (line,) = obstacles(plan(BATTERY), required, "", DAY)
    assert "stiffness.torque_per_ampere cannot be measured on this rig: needs an [instrument.*] of class supply" in line


def test_what_somebody_waives_is_no_obstacle():
    waived = policy(
        ("# [[waiver]]", "[[waiver]]"),
        ('# quantity = "leaf.step.overshoot"', 'quantity = "thermal.driver_rise"'),
        ('# by = "M. Keeper"', 'by = "M. Keeper"'),
        ('# why = "rings', 'why = "rings'),
        ("# until", "until"),
    )
    assert obstacles(plan(BATTERY), waived, "", DAY) == ()
    assert obstacles(plan(BATTERY), waived, "", date(2029, 1, 1)) != ()


def test_what_the_rig_file_requires_and_cannot_be_judged_is_told():
    silent = of_steel(SLUICE, ('"thermal.fast_rise",\n]', '"thermal.fast_rise", "step.decay",\n]'))
    found = obstacles(plan(silent, 1), None, "", DAY)
    assert found == tuple(
        f"rig.toml: rig.required: step.decay: {motor}.step.decay is not judged, it needs an entry in [detect] of the "
        "rig file, which says nothing of it"
        for motor in ("leaf", "wheel")
    )
    assert obstacles(plan(STEEL, 1), None, "", DAY) == ()


NAME = "leaf.stiffness.closed_loop"


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"seen_from": 0.05, "reach": 0.02, "margin": 0.06}, ""),
        ({"seen_from": 0.0}, ""),
        ({"seen_from": 0.5, "reach": 0.2, "margin": 0.06}, "a difference of up to 0.2 stays open against spring"),
        (
            {"why_not": "its baseline has 3 of the 5 mountings"},
            "spring: leaf.stiffness.closed_loop, which ",
        ),
    ],
)
def test_a_baseline_that_shows_nothing_of_what_is_required_is_told(given, told):
    lines = obstacles(plan(STEEL, differences=seen(NAME, **given)), policy(), "spring", DAY)
    assert len(lines) == bool(told)
    assert not told or told in lines[0]
    other = seen("leaf.step.decay", **given)  # nothing required
    assert obstacles(plan(STEEL, differences=other), policy(), "spring", DAY) == ()


@pytest.mark.parametrize(("half", "told"), [(0.01, 0), (0.5, 1)])
def test_what_no_run_can_tell_is_told_where_it_was_measured(half, told):
    wide: dict[str, Quantity] = {NAME: rectangular(0.6, half, "N m/rad", "an arm nobody weighed")}
    lines = obstacles(plan(STEEL, measured=wide), policy(), "", DAY)
    assert len(lines) == told
    if told:
        assert lines[0].startswith(f"rig.toml: {NAME}: seen from ")
        assert "an arm nobody weighed" in lines[0]


def test_every_obstacle_is_one_line():
    short = policy(("5400.0", "1.0"))
    found = obstacles(plan(BATTERY), short, "", DAY)
    assert len(found) == 2
    assert all("\n" not in line and line.startswith("release.toml: ") for line in found)
