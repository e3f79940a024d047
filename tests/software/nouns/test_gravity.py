"""Gravity: one value and one width, wherever an arm is reckoned with."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.checks.commutation import overlay as following
from harness.checks.step import dynamics as step_dynamics
from harness.checks.stiffness.readings import readings_of
from harness.nouns import gravity
from harness.nouns.quantity import Quantity
from harness.rigfile import load
from tests.software.checks.stiffness.test_stiffness import observations
from tests.software.run.fakes import declared

ROOT = Path(__file__).resolve().parents[3]
SPEC = load(ROOT / "rigs_demo/rigs/sluice.toml")


def test_it_holds_every_place_at_sea_level() -> None:
    """Normal gravity of the ellipsoid at the equator and at a pole, 9.780 and 9.832 m/s2 (handbook)."""
    here = gravity.local()
    half = here.u * 3.0**0.5
    assert here.value - half <= 9.7804
    assert here.value + half >= 9.8322
    assert half < 0.03


def relative(quantity: Quantity) -> float:
    return abs(quantity.budget["local gravity"].u) / quantity.value


def test_measurement_and_model_have_the_same_width() -> None:
    arm = readings_of(SPEC, "leaf", {o.name.rpartition(".")[2]: o for o in observations()}).arm_n_m
    modelled = following.arm_over_field(SPEC, declared(), "leaf")
    assert modelled is not None
    width = gravity.local().u / gravity.local().value
    assert relative(arm) == pytest.approx(width)
    assert relative(modelled) == pytest.approx(width)


def test_the_loops_share_knows_that_gravity_differs() -> None:
    share = step_dynamics.loop_share(SPEC, "leaf", 60.0)
    part = abs(share.budget["local gravity"].u) / (1.0 - share.value)
    assert part == pytest.approx(gravity.local().u / gravity.local().value)


def test_nobody_keeps_a_gravity_of_his_own() -> None:
    own = [path.name for path in (ROOT / "harness").rglob("*.py") if "9.80" in path.read_text(encoding="utf-8")]
    assert own == ["gravity.py"]
