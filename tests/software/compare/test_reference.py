"""Referring to 20 degC and nominal supply."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError, RecordError
from harness.checks.catalogue import CHECKS, quantities_of
from harness.compare.reference import Surroundings, dependence_of, referred, surroundings
from harness.nouns.quantity import BEND, Quantity, difference, exact, rectangular
from tests.software.compare.records import SLUICE, STIFFNESS, quantity, record
from tests.software.record.contents import RIG, edited

NOMINAL_V = 12.0
VOLTAGE = "leaf.stiffness.supply_voltage"


def around(volts: float = NOMINAL_V, room_c: float = 20.0, u_v: float = 0.01, half_c: float = 0.5) -> Surroundings:
    supply = rectangular(volts, u_v * math.sqrt(3.0), "V", "instrument.supply.voltage_gain")
    room = rectangular(room_c, half_c, "degC", "instrument.thermometer.temperature_offset")
    return Surroundings(supply_v={"": supply}, room_c={"": room}, nominal_v=NOMINAL_V)


def names() -> list[str]:
    found = []
    for check in CHECKS:
        prefix = f"leaf.{check.name}" if check.per_motor else check.name
        found += [f"{prefix}.{quantity}" for quantity in quantities_of(check, ["leaf"])]
    return found


def test_every_quantity_says_how_it_follows_supply_and_room_and_why() -> None:
    assert all(dependence_of(name).why for name in names())
    assert dependence_of("together.wheel_deflection_change").supply == -1.0


def test_of_a_quantity_that_no_check_measures_nobody_knows_how_it_follows() -> None:
    with pytest.raises(MeasurementError, match=r"back_emf_constant: no check of this version measures it"):
        referred("leaf.stiffness.back_emf_constant", exact(1.0, "V s/rad"), around(), NOMINAL_V)


@given(st.sampled_from(names()), st.floats(-10.0, 10.0))
def test_nothing_changes_where_it_was_measured_at_the_reference(name: str, value: float) -> None:
    given_ = rectangular(value, 0.1, "1", "x")
    found = referred(name, given_, around(u_v=0.0, half_c=0.0), NOMINAL_V)
    assert math.isclose(found.value, value, rel_tol=1e-12, abs_tol=1e-12)
    assert math.isclose(found.u, given_.u, rel_tol=1e-9)


@given(st.floats(0.8, 1.2))
def test_torque_goes_with_the_supply(share: float) -> None:
    name = "leaf.stiffness.closed_loop"
    found = referred(name, exact(0.5 * share, "N m/rad"), around(NOMINAL_V * share), NOMINAL_V)
    assert math.isclose(found.value, 0.5, rel_tol=1e-12)
    assert math.isclose(found.u, 0.5 * 0.01 / (NOMINAL_V * share), rel_tol=1e-3)


@pytest.mark.parametrize("name", ["leaf.stiffness.ratio", "leaf.stiffness.supply_voltage", "leaf.commutation.offset"])
def test_what_does_not_follow_stays(name: str) -> None:
    assert referred(name, exact(0.7, "1"), around(10.0, 35.0), NOMINAL_V) == exact(0.7, "1")


def test_a_warm_room_makes_a_rise_time_longer() -> None:
    found = referred("leaf.step.rise_time", exact(0.10, "s"), around(room_c=30.0), NOMINAL_V)
    assert math.isclose(found.value, 0.0975, rel_tol=1e-9)


# In steps of a billionth: a float does not hold 1 and what is far less in one number.
@given(
    st.floats(0.0, 0.2).map(lambda off: round(off, 9)),
    st.sampled_from(["leaf.step.overshoot", "leaf.step.delay", "leaf.step.decay"]),
)
def test_what_is_not_known_to_follow_is_told_less_well_away_from_nominal(off: float, name: str) -> None:
    rule, where = dependence_of(name), around(NOMINAL_V * (1.0 + off), u_v=0.0, half_c=0.0)
    found = referred(name, exact(1.0, "1"), where, NOMINAL_V)
    expected = rule.supply_half / math.sqrt(3.0) * math.log(1.0 + off)
    assert found.value == pytest.approx(1.0)
    known = {source: part.u for source, part in found.budget.items() if not source.startswith(BEND)}
    assert sum(map(abs, known.values())) == pytest.approx(abs(expected), rel=1e-4, abs=1e-12)
    assert abs(expected) * 0.999 <= found.u <= abs(expected) * 1.1 + 1e-12, "a power bends"


def test_what_is_not_known_cancels_between_two_runs_at_one_voltage() -> None:
    name, where = "leaf.step.overshoot", around(11.0, 25.0)
    lower, higher = (referred(name, exact(value, "1"), where, NOMINAL_V) for value in (0.70, 0.71))
    assert difference(lower, higher).u < 0.02 * lower.u


def test_too_far_from_nominal_nothing_is_said() -> None:
    with pytest.raises(MeasurementError, match=r"the supply stood at 8\.5 V, more than 25% from the 12 V"):
        referred(STIFFNESS, exact(0.5, "N m/rad"), around(8.5), NOMINAL_V)
    assert referred("leaf.stiffness.ratio", exact(0.5, "1"), around(8.5), NOMINAL_V).value == 0.5


def test_supply_and_room_are_read_from_the_record() -> None:
    run = record(
        {STIFFNESS: quantity(0.65), VOLTAGE: Quantity(value=11.5, unit="V"), "wheel.stiffness.ratio": quantity(0.7)},
        room_c=26.0,
    )
    found = surroundings(run)
    assert found.nominal_v == 12.0
    assert found.supply_of("leaf.step.natural_frequency").value == 11.5
    assert found.supply_of("wheel.step.natural_frequency").value == 12.0  # as the rig file states it
    assert "supply.voltage_v" in found.supply_of("wheel.step.delay").budget
    assert found.room_of("leaf.stiffness.friction").value == 26.0
    assert "instrument.thermometer.temperature_offset" in found.room_of("leaf.step.delay").budget


def test_without_a_reading_the_room_is_what_the_rig_file_says() -> None:
    found = surroundings(record({STIFFNESS: quantity(0.65)}))
    assert found.room_of(STIFFNESS).value == 21.0 and "room.temperature_c" in found.room_of(STIFFNESS).budget
    text = SLUICE.replace("[room]\ntemperature_c = { value = 21.0, tolerance = 3.0 }\n", "")
    assert text != SLUICE
    nothing = surroundings(record({STIFFNESS: quantity(0.65)}, text=text)).room_of(STIFFNESS)
    assert nothing.value == 20.0 and math.isclose(nothing.u, 10.0 / math.sqrt(3.0))


def test_a_rig_file_that_does_not_read_is_named() -> None:
    with pytest.raises(RecordError, match="run1: its rig file does not read"):
        surroundings(record({STIFFNESS: quantity(0.65)}, text="schema = 1\n"))
    run = record({STIFFNESS: quantity(0.65)})
    with pytest.raises(RecordError, match="run1: damaged record: rig: expected 'text' in it"):
        surroundings(edited(run, rig={key: value for key, value in RIG.items() if key != "text"}))
