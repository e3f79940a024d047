"""What a check takes and does follows the rig file: longer where it asks for more, never beyond the rig's limits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.registry import check_named
from harness.nouns.effort import Duration, in_all
from harness.plan.assumed import declarations
from harness.plan.efforts import computes_time, outlooks, whole_duration
from harness.rigfile import RigSpec
from tests.software.plan.rigs import HANDWHEEL, SLUICE, alone, demo, of_steel


def efforts(spec: RigSpec) -> dict[str, object]:
    return {each.planned.prefix: each.effort for each in outlooks(spec, declarations(spec), (), check_named)}


def duration(spec: RigSpec, prefix: str) -> Duration:
    effort = efforts(spec)[prefix]
    assert effort is not None
    return effort.duration  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize("spec", [demo(), demo(HANDWHEEL), alone()], ids=["sluice", "handwheel", "alone"])
def test_no_check_is_planned_beyond_a_limit_of_the_rig(spec):
    for each in outlooks(spec, declarations(spec), (), check_named):
        if each.effort is None:
            assert each.reason != ""
            continue
        took = each.duration
        assert 0.0 < took.least_s <= took.usual_s <= took.most_s
        assert 0.0 <= each.effort.phase_current_a <= spec.limits.phase_current_a
        assert 0.0 <= each.effort.travel_rad <= spec.limits.travel_rad
        assert each.effort.energy_j >= 0.0
        if each.effort.rise_k is None:
            assert each.effort.rise_needs
        elif spec.room is not None:
            assert spec.room.temperature_c.value + each.effort.rise_k < spec.limits.winding_temperature_c


def test_heating_follows_the_slow_time_of_the_rig_file():
    usual = duration(of_steel(), "leaf.thermal")
    twice = ("housing_capacity_j_k = { value = 58.0", "housing_capacity_j_k = { value = 116.0")
    slow = duration(of_steel(SLUICE, twice), "leaf.thermal")
    # A slow time as a rule, 2.5 at most: tau grows by 7.4 K/W x 58 J/K.
    assert slow.usual_s - usual.usual_s == pytest.approx(7.4 * 58.0)
    assert slow.most_s - usual.most_s == pytest.approx(2.5 * 7.4 * 58.0)
    assert usual.least_s < usual.usual_s < usual.most_s


def test_ways_to_the_clip_end_at_the_travel():
    far = duration(of_steel(), "leaf.stiffness")
    near = duration(of_steel(SLUICE, ("travel_rad = 2.4", "travel_rad = 1.0")), "leaf.stiffness")
    assert near.usual_s == pytest.approx(far.usual_s - 2.0 * (1.25 - 0.8) / 0.15)


def test_a_slow_loop_is_held_for_longer():
    slow = of_steel(SLUICE, ("loop_period_s = { value = 1.0e-3", "loop_period_s = { value = 1.0e-2"))
    assert duration(slow, "leaf.conduct").usual_s > duration(of_steel(), "leaf.conduct").usual_s + 0.5


def test_a_limit_that_forbids_a_check_is_told_as_a_run_tells_it():
    tight = of_steel(SLUICE, ("phase_current_a = 1.0", "phase_current_a = 0.5"))
    reasons = {each.planned.prefix: each.reason for each in outlooks(tight, declarations(tight), (), check_named)}
    words = "because limits.phase_current_a is 0.5 A: it allows "
    assert reasons["leaf.thermal"] == words + "0.45 A, warming a winding needs 0.55 A"
    assert reasons["leaf.stiffness"].startswith(words + "amplitude 0.34")


def test_what_is_lacking_is_told_as_a_run_tells_it():
    reasons = {each.planned.prefix: each.reason for each in outlooks(alone(), declarations(alone()), (), check_named)}
    assert reasons["spin.stiffness"].startswith("needs a known torque: ")
    assert reasons["spin.thermal"] == "needs a supply: add an [instrument.NAME] of class supply"
    assert reasons["together"] == "needs two motors: add a second [motor.NAME]"


def test_only_a_simulated_bench_computes_its_time():
    assert computes_time(demo())
    assert not computes_time(of_steel())
    assert not computes_time(alone())


@given(st.lists(st.floats(0.0, 1e5), max_size=8), st.integers(1, 9))
def test_durations_add_up(seconds, count):
    whole = in_all(Duration.of(each) for each in seconds).times(count)
    assert whole.least_s == whole.usual_s == whole.most_s == pytest.approx(count * sum(seconds))


def test_a_whole_run_is_the_sum_of_its_checks():
    spec = demo()
    every = outlooks(spec, declarations(spec), (), check_named)
    assert whole_duration(every).usual_s == pytest.approx(sum(each.duration.usual_s for each in every))


# --- what only the board could tell ---------------------------------------------------------------------


def test_what_the_rig_file_states_is_taken_and_the_rest_is_told():
    stated = declarations(demo())
    leaf = stated.for_motor("leaf")
    assert (leaf.loop_period_s, leaf.amplitude_limit, leaf.carrier_hz, leaf.dead_time_s) == (1e-3, 0.4, 2e4, 150e-9)
    assert {each.key for each in stated.assumptions} == {"max_static_duty", "field_steps", "contract"}
    bare = declarations(alone())
    assert {each.key for each in bare.assumptions} > {"firmware.loop_period_s", "firmware.amplitude_limit"}
    assert stated.for_motor("together") == leaf


def test_nothing_that_the_rig_file_states_is_contradicted_by_what_is_assumed():
    for spec in (demo(), demo(HANDWHEEL), alone()):
        assumed = declarations(spec)
        for motor in spec.motors:
            stimulus = check_named("states").stimulus(spec, assumed.for_motor(motor), motor)
            assert stimulus.contradictions == ()
