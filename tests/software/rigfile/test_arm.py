"""Arms that no motor of theirs could lift: a slip of units, and what is let pass."""

from __future__ import annotations

import pytest

from harness.rigfile.arm import heavy_arms
from tests.software.bench.test_source import spec

MASS = "mass_kg = { value = 0.205, "
FLUX = "flux_linkage_v_s = { value = 6.6e-3, "


def test_an_arm_that_can_be_lifted_passes() -> None:
    assert heavy_arms(spec()) == []
    assert heavy_arms(spec((MASS, "mass_kg = { value = 0.345, "))) == []  # 0.1007 N m, and it makes 0.1020


@pytest.mark.parametrize(
    ("old", "new", "pull"),
    [
        (MASS, "mass_kg = { value = 205.0, ", "59.8"),
        (
            "length_m = { value = 0.0300, tolerance_percent = 0.5 }   ",
            "length_m = { value = 3, tolerance = 0 }",
            "6.01",
        ),
    ],
)
def test_a_slip_of_units_is_a_line_with_place_and_both_torques(old: str, new: str, pull: str) -> None:
    (arm,) = heavy_arms(spec((old, new)))
    assert arm.slip
    assert arm.words == (
        "motor.leaf.load: expected an arm of at most 0.102 N m, which its motor makes at limits.phase_current_a by "
        f"pole_pairs and flux_linkage_v_s, found {pull} N m by mass_kg and length_m: look at the units of these, SI "
        "all of them"
    )


@pytest.mark.parametrize(("mass", "pull"), [("0.36", "0.105"), ("5.0", "1.46")])
def test_an_arm_that_is_heavy_for_a_limit_that_was_chosen_is_no_slip(mass: str, pull: str) -> None:
    (arm,) = heavy_arms(spec((MASS, f"mass_kg = {{ value = {mass}, ")))
    assert not arm.slip
    assert arm.words == (
        f"motor.leaf.load: the arm pulls {pull} N m by mass_kg and length_m, its motor makes 0.102 N m at "
        "limits.phase_current_a by pole_pairs and flux_linkage_v_s: it cannot be lifted to 90 degrees within this limit"
    )


@pytest.mark.parametrize("silent", ["mass_kg", "flux_linkage_v_s"])
def test_where_something_is_not_stated_nothing_is_said(silent: str) -> None:
    heavy = spec((MASS, "mass_kg = { value = 205.0, "))
    leaf = heavy.motor["leaf"]
    assert leaf.load is not None
    changed = (
        leaf.model_copy(update={"flux_linkage_v_s": None})
        if silent == "flux_linkage_v_s"
        else leaf.model_copy(update={"load": leaf.load.model_copy(update={"mass_kg": None})})
    )
    assert heavy_arms(heavy.model_copy(update={"motor": {"leaf": changed}})) == []
