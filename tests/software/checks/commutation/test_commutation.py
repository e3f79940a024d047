"""The commutation check on a simulated bench that shares nothing with its regression."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.commutation import analysis as commutation
from harness.checks.commutation.procedure import _room
from harness.checks.commutation.stimulus import strength
from harness.nouns.coverage import interval
from harness.nouns.observation import Observation
from harness.nouns.results import Measurement, Unmeasured
from harness.rigfile import RigSpec, load
from tests.examples import examples
from tests.software.checks.commutation.turned_field import Bench

SPEC = load("rigs_demo/rigs/sluice.toml")


def results(observations: list[Observation], spec: RigSpec = SPEC) -> dict[str, Measurement | Unmeasured]:
    return {r.name.rpartition(".")[2]: r for r in commutation.analyse(observations, spec, "leaf")}


def value(found: dict[str, Measurement | Unmeasured], name: str) -> float:
    result = found[name]
    assert isinstance(result, Measurement), result
    return result.quantity.value


@examples(10)
@given(
    pairs=st.sampled_from([7, 10, 11, 12, 14]),
    offset=st.floats(-0.2, 1.8),
    hang=st.floats(1.9, 2.1),
    direction=st.sampled_from([1, -1]),
    friction=st.floats(0.0005, 0.003),
    seed=st.integers(0, 1000),
    phase=st.floats(0.0, 6.28),
)
def test_finds_any_motor_within_its_intervals(
    pairs: int, offset: float, hang: float, direction: int, friction: float, seed: int, phase: float
) -> None:
    bench = Bench(
        pole_pairs=pairs,
        offset_rad=offset,
        hang_rad=hang,
        direction=direction,
        friction_n_m=friction,
        eccentricity_rad=0.004,
        eccentricity_phase_rad=phase,
    )
    found = results(bench.check(seed))
    assert value(found, "direction") == direction
    for name, true in (("pole_pairs", pairs), ("step_angle", math.tau / 6.0 / pairs)):
        result = found[name]
        assert isinstance(result, Measurement)
        assert abs(result.quantity.value - true) < 4.0 * result.quantity.u
    at = found["offset"]
    assert isinstance(at, Measurement)
    assert abs(math.remainder(at.quantity.value - offset, math.tau)) < 4.0 * at.quantity.u
    # The sensor's error belongs to the reading there.
    hanging = hang + 0.004 * math.sin(hang + phase)
    assert value(found, "hang_reading") == pytest.approx(hanging, abs=0.02)


@examples(8)
@given(lag_ms=st.floats(0.0, 15.0), seed=st.integers(0, 1000), direction=st.sampled_from([1, -1]))
def test_a_reading_that_lags_is_seen_and_bends_nothing_else(lag_ms: float, seed: int, direction: int) -> None:
    """Below what counts, it is not taken out of the rest: there it is a part of a drag."""
    bench = Bench(lag_s=lag_ms * 1e-3, direction=direction, edged=True)
    found = results(bench.check(seed))
    for name, true in (("reading_lag", bench.lag_s), ("pole_pairs", 10.0)):
        result = found[name]
        assert isinstance(result, Measurement)
        assert abs(result.quantity.value - true) < 4.0 * result.quantity.u, name
        assert result.quantity.u < {"reading_lag": 0.5e-3, "pole_pairs": 0.1}[name]
    at = found["offset"]
    assert isinstance(at, Measurement)
    assert abs(math.remainder(at.quantity.value - bench.offset_rad, math.tau)) < 4.0 * at.quantity.u


def test_the_age_that_is_told_belongs_to_the_lag() -> None:
    """Half of it told, half of it hidden: the lag is the whole of it."""
    observations = Bench(lag_s=8e-3, edged=True).check(3)
    for observation in observations:
        observation.data["age"] = 4000
    assert value(results(observations), "reading_lag") == pytest.approx(8e-3, abs=1e-3)


@pytest.mark.slow
def test_uncertainties_are_those_of_many_benches() -> None:
    random = np.random.default_rng(5)
    scores: dict[str, list[float]] = {"pole_pairs": [], "offset": []}
    for seed in range(20):
        bench = Bench(eccentricity_rad=0.007 * random.uniform(), eccentricity_phase_rad=random.uniform(0.0, 6.28))
        found = results(bench.check(seed))
        for name, true in (("pole_pairs", 10.0), ("offset", 0.8)):
            result = found[name]
            assert isinstance(result, Measurement)
            scores[name].append((result.quantity.value - true) / result.quantity.u)
    for name, z in scores.items():
        assert 0.5 < float(np.sqrt(np.mean(np.square(z)))) < 1.45, name


@pytest.mark.parametrize(("order", "about_deg"), [(3, 0), (4, 120), (5, 240)])
def test_exchanged_phases_turn_the_reading_back(order: int, about_deg: int) -> None:
    bench = Bench(direction=-1, offset_rad=math.remainder(math.radians(about_deg) - 0.8, math.tau))
    found = results(bench.check())
    assert (value(found, "direction"), value(found, "phase_order")) == (-1.0, float(order))


@pytest.mark.parametrize("shift", [0, 1, 2])
def test_rotated_phases_differ_by_the_offset_alone(shift: int) -> None:
    found = results(Bench(offset_rad=0.8 + shift * math.tau / 3.0).check())
    assert (value(found, "direction"), value(found, "phase_order")) == (1.0, float(shift))


def test_no_electrical_offset_no_cyclic_order() -> None:
    leaf = SPEC.motor["leaf"].model_copy(update={"electrical_offset_rad": None})
    spec = SPEC.model_copy(update={"motor": {**SPEC.motor, "leaf": leaf}})
    found = results(Bench().check(), spec)
    order = found["phase_order"]
    assert isinstance(order, Unmeasured)
    assert "state motor.leaf.electrical_offset_rad" in order.reason


def test_a_shaft_that_stands_still_is_said_to() -> None:
    found = results(Bench(stuck=True).check())
    words = "the shaft did not move when the field turned: is the supply switched on, the fuse whole, the shaft free?"
    assert value(found, "direction") == 0.0
    assert getattr(found["direction"], "note", "") == words
    for name in ("pole_pairs", "phase_order", "step_angle", "step_spread", "offset"):
        result = found[name]
        assert isinstance(result, Unmeasured), name
        assert result.reason.startswith(words)
    assert value(found, "hang_reading") == pytest.approx(2.0, abs=0.05)
    assert value(found, "sensor_noise") == pytest.approx(4e-4, rel=0.2)


def test_a_reading_that_stands_without_its_noise_is_said_to_rather_than_the_shaft() -> None:
    taken = Bench(stuck=True).check()
    for each in taken:
        each.data["count"] = 10430
    found = results(taken)
    words = "the reading never changed while the field turned, not even by its noise: is it taken anew each time?"
    assert getattr(found["direction"], "note", "") == words
    assert isinstance(found["offset"], Unmeasured)
    assert found["offset"].reason.startswith(words)


@pytest.mark.parametrize(("age_us", "wrong"), [(90, False), (0, True), (65500, True)])
def test_an_age_that_no_reading_can_have_is_counted_and_corrects_nothing(age_us: int, wrong: bool) -> None:
    taken = Bench().check()
    for each in taken:
        each.data["age"] = age_us
    found = results(taken)
    rests = sum(each.data.size for each in taken if ".rest_" in each.name)
    assert value(found, "impossible_ages") == (rests if wrong else 0.0)
    assert value(found, "pole_pairs") == pytest.approx(10.0, abs=0.2)


@pytest.mark.parametrize(("reading", "room"), [(2.0, True), (3.5, True), (4.28, False), (2.0 - 2.28, False)])
def test_a_field_is_turned_only_where_the_sweeps_keep_within_the_travel(reading: float, room: bool) -> None:
    assert SPEC.limits.travel_rad == 2.4, "about the stated 2.0; sweeps take 0.73 rad either way"
    assert _room(SPEC, "leaf", 6, reading) is room
    leaf = SPEC.motor["leaf"].model_copy(update={"load": None})
    assert _room(SPEC.model_copy(update={"motor": {**SPEC.motor, "leaf": leaf}}), "leaf", 6, reading)


def test_a_shaft_that_rests_elsewhere_and_was_not_turned_says_so() -> None:
    rests = [each for each in Bench(hang_rad=4.2).check() if ".rest_" in each.name]
    found = results(rests)
    assert value(found, "hang_reading") == pytest.approx(4.2, abs=0.1)
    direction = found["direction"]
    assert isinstance(direction, Unmeasured)
    assert direction.reason.startswith("no field was turned: the shaft does not rest where the rig file has it hang")


@pytest.mark.parametrize(("pair", "phase"), [(0, "phase A"), (1, "phase C"), (2, "phase B")])
def test_a_pair_of_vectors_without_current_names_its_phase(pair: int, phase: str) -> None:
    currents = [0.3, 0.3, 0.3]
    currents[pair] = 0.0
    found = results(Bench().check(currents=(currents[0], currents[1], currents[2])))
    weakest = found["weakest_vector"]
    assert isinstance(weakest, Measurement)
    assert weakest.quantity.value == pytest.approx(0.0, abs=0.01)
    assert weakest.note == f"{phase} carries no current"


def test_an_open_phase_is_seen_though_few_readings_of_it_differ() -> None:
    observations = []
    for o in Bench().check():
        currents = [0.04025, 0.24015, 0.24118, 0.04036, 0.25037, 0.24455]  # the shaft moves between the readings
        changed = {**o.conditions, "current_a": currents, "idle_a": 0.04029} if o.name.endswith(".vectors") else {}
        observations.append(dataclasses.replace(o, conditions={**o.conditions, **changed}))
    weakest = results(observations)["weakest_vector"]
    assert isinstance(weakest, Measurement)
    assert interval(weakest.quantity, 1.0 - 1e-4)[1] < 0.2


def test_a_winding_that_warms_makes_no_vector_weak() -> None:
    observations = []
    for o in Bench().check():
        warming = [0.05 + 0.3 * (1.0 - 6e-4 * number) for number in range(6)]
        changed = {**o.conditions, "current_a": warming} if o.name.endswith(".vectors") else o.conditions
        observations.append(dataclasses.replace(o, conditions=changed))
    weakest = results(observations)["weakest_vector"]
    assert isinstance(weakest, Measurement)
    # Without the trend taken out the last pair would be 6e-4 weaker than the mean.
    assert weakest.quantity.value == pytest.approx(1.0, abs=1e-6)
    assert weakest.quantity.u < 1e-3


@pytest.mark.parametrize("once_rad", [0.0, 0.01, 0.03])
def test_step_spread_is_the_sensors_error_beyond_a_straight_line(once_rad: float) -> None:
    found = results(Bench(eccentricity_rad=once_rad, eccentricity_phase_rad=math.pi / 2.0 - 2.0).check())
    spread = found["step_spread"]
    assert isinstance(spread, Measurement)
    passed = round(spread.quantity.dof) + 2
    number = np.arange(passed) - (passed - 1) / 2.0
    error = once_rad * np.cos(math.tau / 60.0 * number)
    expected = np.sqrt(np.mean((error - np.polynomial.Polynomial.fit(number, error, 1)(number)) ** 2))
    assert abs(spread.quantity.value - expected) < 3.0 * spread.quantity.u + 2e-5
    assert spread.quantity.u < 5e-4


def test_back_and_forth_is_the_wrong_sequence() -> None:
    # Common practice, no source: in the wrong sequence the rotor jerks back and forth.
    observations = []
    for o in Bench().check():
        if ".large_" in o.name or ".small_" in o.name:
            data = o.data.copy()
            data["count"] = 2608 + np.round(200 * np.sin(np.arange(data.size) / 20.0))
            observations.append(dataclasses.replace(o, data=data))
        else:
            observations.append(o)
    found = results(observations)
    direction = found["direction"]
    assert isinstance(direction, Unmeasured)
    assert "back and forth" in direction.reason


def test_nothing_carries_current() -> None:
    found = results(Bench(stuck=True).check(currents=(0.0, 0.0, 0.0)))
    weakest = found["weakest_vector"]
    assert isinstance(weakest, Unmeasured)
    assert "no vector carries any current" in weakest.reason


def test_curves_show_each_sweep() -> None:
    (curve,) = commutation.curves(Bench().check(), SPEC, "leaf")
    assert set(curve.series) == {
        "large amplitude, up",
        "large amplitude, down",
        "small amplitude, up",
        "small amplitude, down",
    }
    assert all(len(points) <= 1200 for points in curve.series.values())


def test_strength_keeps_within_current_and_arm() -> None:
    assert strength(SPEC, "leaf", 1.0) == (0.6, 6)
    limits = SPEC.limits.model_copy(update={"phase_current_a": 0.3})
    amplitude, steps = strength(SPEC.model_copy(update={"limits": limits}), "leaf", 1.0)
    assert amplitude * 6.0 / 4.6 < 0.3
    assert steps < 6


def without_load(spec: RigSpec = SPEC) -> RigSpec:
    leaf = spec.motor["leaf"].model_copy(update={"load": None})
    return spec.model_copy(update={"motor": {**spec.motor, "leaf": leaf}})


@pytest.mark.parametrize("arm_n_m", [0.02, 0.035, 0.05])
@pytest.mark.parametrize("hang_rad", [0.3, 2.0])
def test_a_load_that_nobody_stated_is_noticed_and_bends_no_count(arm_n_m: float, hang_rad: float) -> None:
    found = results(Bench(arm_n_m=arm_n_m, hang_rad=hang_rad).check(), without_load())
    pairs, hang = found["pole_pairs"], found["hang_reading"]
    assert isinstance(pairs, Measurement) and isinstance(hang, Measurement)
    assert abs(pairs.quantity.value - 10.0) < 3.0 * pairs.quantity.u < 0.5
    assert abs(math.remainder(hang.quantity.value - hang_rad, math.tau)) < 0.03
    for name in ("pole_pairs", "offset", "hang_reading"):
        assert getattr(found[name], "note", "") == (
            "a load pulls on this shaft that the rig file does not state (motor.leaf.load)"
        )


def test_a_shaft_without_a_load_has_none() -> None:
    found = results(Bench(arm_n_m=0.0).check(), without_load())
    pairs = found["pole_pairs"]
    assert isinstance(pairs, Measurement)
    assert abs(pairs.quantity.value - 10.0) < 3.0 * pairs.quantity.u < 0.5
    assert pairs.note == ""
    hang = found["hang_reading"]
    assert isinstance(hang, Unmeasured)
    assert hang.reason == "no arm is known to hang on this shaft"


def test_turns_that_count_no_whole_number_are_no_pole_pairs() -> None:
    found = results(Bench(pole_pairs=10.5).check())  # type: ignore[arg-type]
    for name in ("pole_pairs", "step_angle", "offset"):
        result = found[name]
        assert isinstance(result, Unmeasured), name
        assert result.outcome.value == "cannot tell"
        assert "no whole number lies near" in result.reason


def test_a_dead_time_that_nobody_states_widens_the_count() -> None:
    silent = SPEC.model_copy(update={"firmware": SPEC.firmware.model_copy(update={"dead_time_s": None})})
    stated, unstated = (results(Bench().check(), spec)["pole_pairs"] for spec in (SPEC, silent))
    assert isinstance(stated, Measurement) and isinstance(unstated, Measurement)
    assert unstated.quantity.u > 1.1 * stated.quantity.u
    assert abs(unstated.quantity.value - 10.0) < 2.0 * unstated.quantity.u


@pytest.mark.parametrize(
    ("travel_rad", "away_rad", "room"),
    [
        (1.0, 0.0, True),  # the sweeps of 7 pole pairs reach 0.957 rad: six steps and four tenths
        (1.0, 0.04, True),
        (1.0, 0.05, False),
        (0.9, 0.3, True),  # no place would do: that is for the limit of travel to say
    ],
)
def test_sweeps_are_made_where_they_keep_within_the_travel(travel_rad, away_rad, room):
    entry = SPEC.motor["leaf"].model_copy(update={"pole_pairs": 7})
    limits = SPEC.limits.model_copy(update={"travel_rad": travel_rad})
    spec = SPEC.model_copy(update={"limits": limits, "motor": {**SPEC.motor, "leaf": entry}})
    assert entry.stated_hang_rad is not None
    assert _room(spec, "leaf", 6, entry.stated_hang_rad.value + away_rad) is room
