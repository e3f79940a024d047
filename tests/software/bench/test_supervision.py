"""What is said of limits that nothing sees."""

from __future__ import annotations

from harness.bench.supervision import INSTEAD, not_supervised
from tests.software.bench.test_source import spec

WHOLE = ("angle", "driver_temperature")
BOTH = ("leaf", "wheel")


def test_a_rig_that_has_everything_sees_current_and_heat_in_one_check_only() -> None:
    assert not_supervised(spec(), WHOLE, BOTH) == [
        f"leaf, wheel: phase current: read in thermal only; elsewhere {INSTEAD}",
        "leaf, wheel: winding temperature: read in thermal only; elsewhere the time of a hold is kept short instead",
        "leaf, wheel: driver temperature: read before and after the heating of thermal only",
    ]


def test_each_motor_without_its_multimeter_is_named() -> None:
    rig = spec(('across = ["leaf.B", "leaf.C"]', 'across = ["wheel.A", "wheel.C"]'))
    said = not_supervised(rig, WHOLE, BOTH)
    assert f"leaf: phase current: no multimeter; {INSTEAD}" in said
    assert f"wheel: phase current: read in thermal only; elsewhere {INSTEAD}" in said
    assert "leaf: driver temperature: read in thermal only, which needs more: no multimeter" in said


def test_travel_is_seen_only_where_the_arm_s_rest_is_known() -> None:
    rig = spec(("hang_reading_rad = { value = 4.10, tolerance = 0.08 }", ""))
    (line,) = [line for line in not_supervised(rig, WHOLE, BOTH) if "travel" in line]
    words = "until commutation has measured where the arm hangs (load.hang_reading_rad is not stated)"
    assert line == f"wheel: travel, {words}"


def test_a_rig_without_instruments_sees_neither_current_nor_heat() -> None:
    rig = spec().model_copy(update={"instrument": {}})
    said = not_supervised(rig, (), BOTH)
    assert f"leaf, wheel: phase current: no supply and no multimeter and no thermometer; {INSTEAD}" in said
    assert any(line.startswith("leaf, wheel: winding temperature: no supply") for line in said)
    assert "leaf, wheel: driver temperature: the firmware has no driver_temperature()" in said


def test_where_thermal_is_not_run_nothing_is_said_to_be_read_in_it() -> None:
    said = not_supervised(spec(), WHOLE, ("wheel",))
    why = "not read, because only thermal reads it, which is not run"
    assert f"leaf: phase current: {why}; {INSTEAD}" in said
    assert f"leaf: driver temperature: {why}" in said
    assert f"wheel: phase current: read in thermal only; elsewhere {INSTEAD}" in said
    assert not any(line.startswith("leaf") and "read in thermal" in line for line in said)
