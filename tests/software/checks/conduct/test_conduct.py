"""From the observations of a check of conduct to its quantities, with what is left out where the run was cut short."""

from __future__ import annotations

import math
import random
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.checks.conduct import model
from harness.checks.conduct.analysis import analyse, curves
from harness.checks.conduct.movement import loop_spans
from harness.checks.conduct.procedure import _slow
from harness.checks.conduct.quantities import CHECK, Following, Trace
from harness.checks.conduct.stimulus import DUTIES, stimulus
from harness.nouns.contract import FULL_TURN
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Measurement, Outcome, Unmeasured
from harness.rigfile import load, loads
from tests.software.checks.conduct.loops import LIMIT, MOVE, TURN, far, follows, observed
from tests.software.checks.conduct.test_pattern import rows
from tests.software.run.fakes import SLUICE, declared

SPEC = load(SLUICE)
HANG_RAD = 2.0
"""As the rig file states it, within 0.08. Friction of 3.15 mN m and cogging of 5.10, a twentieth of 1.5 x 10 x 6.8 mV s
x 1 A, keep an arm of 59.8 mN m within 0.138 of it."""
HELD_AT = round((HANG_RAD + 0.3) / math.tau * TURN)
IDLE = {"before": [0.045, 0.046, 0.045, 0.045], "after": [0.046, 0.045, 0.045, 0.045]}
LEFT = {"before": [0.045, 0.046, 0.045, 0.046], "after": [0.246, 0.245, 0.245, 0.246]}


def event(name: str, **conditions: Any) -> Observation:
    return Observation(
        name=f"leaf.conduct.{name}",
        columns=(Column(name="events", unit="1"),),
        data=np.array([(len(conditions),)], dtype=[("events", "<u2")]),
        conditions=conditions,
    )


def pattern(**changes: Any) -> Observation:
    duties = [[1.0, *(duty * 10000.0 + 30.0 * (-1.0) ** k for duty in DUTIES)] for k in range(6)]
    return event(
        "pattern",
        **{
            "carrier_hz": 20e3,
            "fields": rows(900),
            "duties": duties,
            "off_us": 210.0,
            "turn": TURN,
            "fell": [HELD_AT, -900],
            **changes,
        },
    )


def again(*counts: int) -> Observation:
    """Readings of a loop that was started again, counts from where it was closed first."""
    return Observation(
        name="leaf.conduct.again",
        columns=(Column(name="count", unit="1"),),
        data=np.array([(count,) for count in counts], dtype=[("count", "<i4")]),
        conditions={"move": MOVE},
    )


def ended(**changes: Any) -> Observation:
    return event(
        "ended",
        **{
            "limited": [1],
            "taken_s": 0.302,
            "live": [],
            "current_a": IDLE,
            **changes,
        },
    )


def found(*observations: Observation) -> dict[str, Measurement | Unmeasured]:
    made = {result.name.rpartition(".")[2]: result for result in analyse(observations, SPEC, "leaf")}
    assert list(made) == [row.name for row in CHECK.quantities]
    return made


def value(result: Measurement | Unmeasured) -> float:
    assert isinstance(result, Measurement), result
    return result.quantity.value


def test_a_sound_drive_has_what_is_expected_of_it():
    made = found(pattern(), observed(follows), far(), ended())
    expected = {e.name.rpartition(".")[2]: e for e in model.expect(SPEC, declared(), "leaf")}
    for name, result in made.items():
        expectation = expected[name]
        assert expectation.quantity is not None
        low, high = expectation.interval or (expectation.quantity.value,) * 2
        assert low - 5e-3 <= value(result) <= high + 5e-3, name
        assert isinstance(result, Measurement)
        assert result.quantity.unit == expectation.quantity.unit


def test_each_departure_is_in_its_own_quantity():
    fields = rows(900)
    missed = [[*row[:2], 0.0, *row[3:]] for row in fields[:6]] + fields[6:]
    assert value(found(pattern(fields=missed), observed(follows), ended())["enable_missed"]) == 6.0
    exchanged = [[1.0, 5800.0 + 20.0 * k, 4200.0, 5000.0] for k in range(6)]
    duties = found(pattern(duties=exchanged), observed(follows), ended())["duties_error"]
    assert value(duties) == pytest.approx(0.16, abs=0.01)
    assert value(found(pattern(off_us=2e5), observed(follows), ended())["time_to_off"]) == pytest.approx(0.2)
    left = found(pattern(), observed(follows), ended(current_a=LEFT))["current_left"]
    assert value(left) == pytest.approx(0.2)
    assert isinstance(left, Measurement)
    # 1 mA either way between two readings of four pairs, over four readings each; the last digit of 1 mA twice.
    assert left.quantity.u == pytest.approx(math.hypot(0.5e-3, 0.5e-3 * math.sqrt(2.0 / 3.0)))
    assert value(found(pattern(), observed(follows), ended(limited=[0]))["limit_missed"]) == 1.0
    unknown = found(pattern(), observed(follows), ended(limited=[]))["limit_missed"]
    assert isinstance(unknown, Unmeasured) and "never comes to its limit" in unknown.reason
    assert value(found(pattern(), observed(follows), ended(taken_s=0.9))["deadman_late"]) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("down", "following"),
    [(0.9, Following.AS_TOLD), (0.35, Following.TOO_LITTLE), (0.1, Following.ONE_WAY), (-0.5, Following.ONE_WAY)],
)
def test_a_weak_loop_that_friction_keeps_from_one_move_is_not_one_of_one_sense(down: float, following: Following):
    """A sense that is treated wrongly takes the shaft nowhere, or away; friction leaves it a part of the way."""
    ways = {2: 1.0, 4: -down}
    made = found(pattern(), observed(lambda leg, part: ways.get(leg, 0.0)), ended())
    assert value(made["following"]) == following


def test_a_loop_that_stands_and_tells_nothing_never_ran():
    silent = {"passes": lambda leg, running: 0}
    still = {"traced": lambda leg, part, count: 0.0}
    for changes, following in (
        (silent | still, Following.NO_PASS),
        (still, Following.NOT),
        (silent | {"has_trace": 0}, Following.NOT),
    ):
        made = found(pattern(), observed(lambda leg, part: 0.0, **changes), ended())
        assert value(made["following"]) == following
    assert value(found(pattern(), observed(follows, **silent), ended())["following"]) == Following.AS_TOLD


def test_the_longer_way_round_is_seen_by_a_demand_against_nearly_half_a_turn():
    def unwrapped(start: int):
        """A loop whose error is target less reading, its set point taken within a turn."""
        return lambda error: max(-LIMIT, min(LIMIT, 31.0 * ((start + error) % TURN - start)))

    assert value(found(pattern(), observed(follows), far(), ended())["far"]) == 0.0
    for start in (2000, 10430, 21380, 30000):
        made = found(pattern(), observed(follows), far(unwrapped(start)), ended())
        assert (value(made["far"]), value(made["trace"])) == (1.0, 0.0), start


def test_a_demand_that_creeps_while_an_error_is_held_is_seen_and_a_proportional_one_is_not():
    """A sum of an eighth of the error a pass beside a gain of 31: as much again in a quarter of a second."""
    dice = random.Random(3)

    def unsteady(leg: int, part: float) -> float:
        return follows(leg, part) + dice.uniform(-0.05, 0.05)

    sound = found(pattern(), observed(unsteady, demand=lambda error: 31.0 * error), ended())["demand_growth"]
    assert isinstance(sound, Measurement)
    assert sound.quantity.value == pytest.approx(0.0, abs=3.0 * sound.quantity.u)
    assert sound.quantity.u < 0.1
    total = 0.0

    def summed(error: float) -> float:
        nonlocal total
        total += error
        return 31.0 * error + total / 8.0

    creeps = found(pattern(), observed(unsteady, demand=summed), ended())["demand_growth"]
    assert isinstance(creeps, Measurement)
    assert creeps.quantity.value == pytest.approx(0.5, abs=0.1), "of a demand that has the sum in it already"
    assert creeps.quantity.value > 10.0 * creeps.quantity.u


@pytest.mark.parametrize("noise", [2.0, 4.0])
def test_a_difference_term_on_a_noisy_reading_is_no_sum(noise):
    """Demand 31 of the error less 10 of its change a pass; the shaft still creeps by a tenth of the move in a leg."""
    dice = random.Random(5)
    before = 0.0

    def damped(error: float) -> float:
        nonlocal before
        change, before = error - before, error
        return 31.0 * error + 310.0 * change

    def creeping(leg: int, part: float) -> float:
        return follows(leg, part) * (1.0 + 0.1 * (part - 1.0))

    def place(leg: int, part: float, count: float) -> float:
        return count + dice.gauss(0.0, noise)

    made = found(pattern(), observed(creeping, traced=place, demand=damped), ended())["demand_growth"]
    assert isinstance(made, Measurement)
    assert made.quantity.value == pytest.approx(0.0, abs=3.0 * made.quantity.u)


def test_a_loop_that_was_let_go_before_it_was_told_both_ways_says_nothing_of_far_errors():
    half = found(pattern(), observed(follows), far(ran=(2, 500)), ended())["far"]
    assert isinstance(half, Unmeasured)
    assert "before its loop was told to go far both ways" in half.reason


def test_a_shaft_that_passes_the_middle_meanwhile_has_another_shorter_way():
    """Down from its start by half a turn and more: the shorter way is up then, and a sound loop goes it."""

    def shorter(error: float) -> float:
        return math.copysign(LIMIT, (error + TURN / 2) % TURN - TURN / 2)

    def flung(leg: int, part: float) -> float:
        return 25.0 * part if leg == 4 else 0.0  # in moves of the loop's usual ones

    assert value(found(pattern(), observed(follows), far(shorter, flung), ended())["far"]) == 0.0


def test_demands_before_their_limit_are_told_from_those_put_out():
    made = found(pattern(), observed(follows), far(lambda error: 28816.0), ended())
    assert value(made["trace"]) == Trace.BEYOND
    assert isinstance(made["far"], Unmeasured)


def test_passes_that_take_longer_than_their_period_are_said_beside_what_they_leave_live():
    def timed(period_rows: float) -> Observation:
        return observed(follows, passes=lambda leg, running: int(running / period_rows))

    assert _slow(timed(1.0)) == ""
    assert re.search(
        r"whose passes take longer than its period \(one every 15[67]\d us, period 1000 us\)", _slow(timed(1.57))
    )
    assert _slow(timed(1e9)) == "", "no pass is none that takes long"


def test_a_brake_leaves_three_phases_low_under_an_enabled_bridge():
    for left, kind in (((1, 0, 0, 0), 0.0), ((0, 0, 0, 0), 1.0), ((1, 0, 300, 0), 2.0), ((0, 5000, 5000, 5000), 2.0)):
        assert value(found(pattern(), observed(follows, brake=left), ended())["brake"]) == kind
    assert isinstance(found(pattern(), observed(follows, brake=()), ended())["brake"], Unmeasured)


def test_a_loop_that_was_let_go_is_not_closed_again_and_what_was_measured_stands():
    made = found(pattern(), observed(follows, ran=(2, -120)))
    left = {name for name, result in made.items() if isinstance(result, Unmeasured)}
    assert left == {"current_left", "limit_missed", "deadman_late", "far", "demand_growth"}
    for name in left:
        result = made[name]
        assert isinstance(result, Unmeasured)
        assert result.outcome is Outcome.NOT_RUN
        assert "because the loop was not closed again: its shaft had to be let go" in result.reason


def test_after_a_slow_off_no_loop_is_closed():
    made = found(pattern(off_us=2e5))
    assert value(made["time_to_off"]) == pytest.approx(0.2)
    following = made["following"]
    assert isinstance(following, Unmeasured)
    assert following.reason == "because the loop was not closed: off took too long"


def test_where_no_loop_may_be_closed_the_pins_are_read_and_the_rest_says_why():
    why = "because leaf.commutation.direction differs: the loop could run away"
    made = found(pattern(fields=rows(900, order=(0, 2, 1)), no_loop=[why]))
    error = made["field_error"]
    assert value(error) == pytest.approx(1.0, abs=1e-3)
    assert isinstance(error, Measurement)
    assert error.note == "B and C exchanged"
    left = {name: result.reason for name, result in made.items() if isinstance(result, Unmeasured)}
    assert set(left) == {
        *("current_left", "start", "following", "far", "brake", "trace", "passes_after_off", "deadman_late"),
        *("demand_growth", "limit_missed", "shaft_held"),
    }
    assert set(left.values()) == {why}


def test_what_the_firmware_does_not_offer_is_named():
    made = found(pattern(duties=[]), observed(follows, own_pace=0, has_trace=0), ended(current_a={}))
    needs = {name: result.reason for name, result in made.items() if isinstance(result, Unmeasured)}
    assert set(needs) == {"duties_error", "start", "far", "trace", "passes_after_off", "current_left", "demand_growth"}
    assert "trace(motor, hook)" in needs["far"]
    assert "needs a supply" in needs["current_left"]
    assert "needs trace(motor, hook)" in needs["trace"]


def test_the_move_is_as_large_as_its_demand_allows_or_two_degrees():
    turn = declared().counts_per_turn
    plan = stimulus(SPEC, declared(), "leaf")
    gain = SPEC.firmware.gain_per_rad
    assert gain is not None
    assert plan.move == round(0.15 / gain.value / 6.283185307 * turn)
    assert plan.far == pytest.approx(0.48 * turn, abs=1.0)
    assert stimulus(SPEC, declared(amplitude_limit=1.0), "leaf").far == 0, "a clip beyond the rig's limits"
    text = SLUICE.read_text(encoding="utf-8")
    silent = loads("\n".join(line for line in text.splitlines() if "gain_per_rad" not in line).encode(), "r.toml")
    assert stimulus(silent, declared(), "leaf").move == round(0.04 / 6.283185307 * turn)


def test_the_fields_are_spread_about_the_one_that_holds_the_shaft_where_it_hangs():
    plan = stimulus(SPEC, declared(), "leaf")
    entry = SPEC.motor["leaf"]
    assert entry.load is not None and entry.electrical_offset_rad is not None
    hangs = entry.load.hang_reading_rad.value
    for direction in (1, -1):
        turned = SPEC.model_copy(
            update={"motor": {**SPEC.motor, "leaf": entry.model_copy(update={"direction": direction})}}
        )
        first = stimulus(turned, declared(), "leaf").first / FULL_TURN * math.tau
        wanted = direction * entry.pole_pairs * hangs + entry.electrical_offset_rad.value
        assert math.remainder(first - wanted, math.tau) == pytest.approx(0.0, abs=1e-4)
    angles, amplitudes = np.array(plan.fields).T
    assert np.ptp(angles) == pytest.approx(2.0 / 3.0 * FULL_TURN, abs=2.0)
    assert np.mean(angles) == pytest.approx(plan.first, abs=1.0)
    assert 5898 <= min(amplitudes) < max(amplitudes) <= 7209, "0.2 of 32768, a tenth of it either way"
    # No two fields have a duty of their largest phase alike, or errors by a clock's ticks would be one and the same.
    largest = [
        max(a * math.cos(at / FULL_TURN * math.tau - k * math.tau / 3.0) for k in range(3)) for at, a in plan.fields
    ]
    assert len({round(each) for each in largest}) == len(plan.fields)
    assert abs(np.corrcoef(angles, amplitudes)[0, 1]) < 0.3


def test_the_curve_has_the_set_point_beside_the_reading():
    rows_ = observed(follows)
    (curve,) = curves([rows_], SPEC, "leaf")
    assert set(curve.series) == {"set point", "reading"}
    assert len(curve.series["reading"]) == rows_.data.size


def test_the_loop_was_tried_about_where_the_arm_hangs():
    """From -36 to +36 counts about it, towards set points 40 counts away."""
    per_count = math.tau / SPEC.motor["leaf"].sensor.counts
    (span,) = loop_spans([observed(follows)], SPEC, "leaf")
    assert (span.low_rad, span.high_rad) == pytest.approx((-36 * per_count, 36 * per_count), abs=2e-3)
    assert span.error_rad == pytest.approx(40 * per_count, abs=1e-3)
    assert not span.across_zero


@pytest.mark.parametrize(("moved", "code"), [(-900, 0.0), (400, 0.0), (-216, 0.0), (-208, 1.0), (0, 1.0)])
def test_a_shaft_that_off_lets_go_falls_at_least_out_of_the_cone_of_friction(moved, code):
    # 0.3 rad aside less 0.08 of hanging and 0.138: 0.082 rad are 426 counts, half of them asked for.
    assert value(found(pattern(fell=[HELD_AT, moved]))["shaft_held"]) == code


def test_an_arm_that_friction_may_keep_tells_nothing_of_off():
    near = round((HANG_RAD + 0.2) / math.tau * TURN)
    result = found(pattern(fell=[near, 0]))["shaft_held"]
    assert isinstance(result, Unmeasured)
    assert (
        "friction as stated, and cogging, may keep the arm where the field held it, 11.5 degrees from hanging"
        in result.reason
    )


def test_a_fall_needs_arm_friction_and_where_it_hangs():
    text = SLUICE.read_text(encoding="utf-8")
    text = re.sub(r"coulomb_friction_n_m = .*\n", "", re.sub(r"hang_reading_rad = .*\n", "", text))
    (held,) = (
        r for r in analyse([pattern()], loads(text.encode(), "rig.toml"), "leaf") if r.name.endswith("shaft_held")
    )
    assert isinstance(held, Unmeasured)
    assert held.reason == "needs motor.leaf.load.hang_reading_rad, motor.leaf.coulomb_friction_n_m"


@given(arm=st.floats(0.0, 0.4), friction=st.floats(0.0, 0.25), aside=st.floats(1.0, 2.0), noise=st.floats(0.0, 0.06))
def test_a_start_holds_where_the_shaft_stands_or_goes_back_to_where_it_was_read(arm, friction, aside, noise):
    """The arm takes its share of every place, friction as much of every move: both in moves."""
    assume(arm + 2.0 * friction < 0.55)  # else it does not follow
    dice = random.Random(7)
    rest = (0.0, 0.0, 1.0 - arm - friction, friction, -(1.0 - arm - friction), -friction)
    sound = -min(aside, aside * (1.0 - arm) + friction)
    for end, code in ((sound, 0.0), (-friction, 2.0)):
        way = [-aside + (end + aside) * min(1.0, k / 40) + dice.gauss(0.0, noise) for k in range(250)]
        path = [round(share * MOVE) for share in way]
        made = found(pattern(), observed(lambda leg, _: rest[leg]), again(0, *path), ended())
        assert value(made["start"]) == code


def test_a_shaft_that_no_field_drew_aside_says_no_more_of_a_start_than_the_first():
    dice = random.Random(3)
    for counts in ((), (-4, -4, -4), [round(dice.gauss(0.0, 0.12) * MOVE) for _ in range(250)]):
        result = found(pattern(), observed(follows), again(*counts), ended())["start"]
        assert value(result) == 0.0
        assert isinstance(result, Measurement)
        assert result.note == "started once only where the shaft was read before: it was not drawn aside"


def test_a_loop_that_runs_off_when_it_is_started_again_has_a_code_of_its_own():
    result = found(pattern(), observed(follows, ran_again=-130), again(*range(-80, -131, -1)))
    assert value(result["start"]) == 3.0
    assert isinstance(result["start"], Measurement) and result["start"].note == ""
    assert "its shaft had to be let go" in str(result["brake"])


@pytest.mark.parametrize(
    ("old", "new", "aside", "falls"),
    [
        ("travel_rad = 2.4", "travel_rad = 2.4", True, True),
        ("travel_rad = 2.4", "travel_rad = 0.4", True, False),
        ("travel_rad = 2.4", "travel_rad = 0.08", False, False),
        ("speed_rad_s = 60.0", "speed_rad_s = 8.0", True, False),  # 0.45 rad x sqrt(9.8 / 0.03) = 8.1 rad/s
        ("hang_reading_rad = ", "# ", True, False),
    ],
)
def test_a_shaft_is_drawn_aside_and_let_fall_only_within_the_limits(old, new, aside, falls):
    spec = loads(SLUICE.read_text(encoding="utf-8").replace(old, new).encode(), "rig.toml")
    asked = stimulus(spec, declared(), "leaf")
    assert (asked.aside != 0, asked.fall is not None) == (aside, falls)
    if aside:
        assert asked.aside == pytest.approx(-2 * asked.move, abs=1)


def test_a_time_has_an_upper_limit_alone_and_a_deadman_has_two():
    expected = {e.name.rpartition(".")[2]: e for e in model.expect(SPEC, declared(), "leaf")}
    assert expected["time_to_off"].from_floor and expected["field_error"].from_floor
    assert not expected["deadman_late"].from_floor
