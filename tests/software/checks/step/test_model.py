"""The loop's model: against integration at tight tolerance, its own limits, and what it says of a silent rig file."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.step import model as loop
from harness.checks.step import staircase, stimulus
from harness.checks.step.overlay import overlay
from harness.physics import loop as loop_shaft
from harness.physics.swing import CREPT_RAD, Shaft, let_go
from harness.rigfile import load, loads
from tests.examples import examples

RIG = Path(__file__).parents[4] / "rigs_demo" / "rigs" / "sluice.toml"
SPEC = load(RIG)
BEGUN = {"way": 1.0, "way_rad": 0.06, "place_rad": 0.0}
DECLARED: Any = SimpleNamespace(pole_pairs=10, carrier_hz=20000.0, loop_period_s=1e-3, amplitude_limit=0.4)
SHAFT = {
    "loop": 0.5, "arm": 0.05, "inertia": 2.0e-4, "damping": 1.2e-3, "lag_s": 1.1e-3, "friction": 2e-3,
    "dead_rad": 1.5e-3, "clip_rad": 0.08,
}  # fmt: skip


@pytest.mark.parametrize("start", [-0.06, 0.06, -0.4])
def test_pieces_against_an_integrator(start: float) -> None:
    from scipy.integrate import solve_ivp

    shaft = Shaft(**SHAFT)
    motion = let_go(shaft, start, -0.02)

    def rate(_t: float, state: list[float]) -> list[float]:
        y, v = state
        away, damping = abs(y), shaft.damping
        loop_torque = 0.0
        if away > shaft.dead_rad:
            loop_torque = -math.copysign(shaft.loop * (min(away, shaft.clip_rad) - shaft.dead_rad), y)
            if away < shaft.clip_rad:
                damping -= shaft.loop * shaft.lag_s
        torque = loop_torque - shaft.arm * (y + 0.02) - damping * v - shaft.friction * math.copysign(1.0, v)
        return [v, torque / shaft.inertia]

    end = motion.turns[3][0]
    found = solve_ivp(rate, (1e-9, end), [start, math.copysign(1e-9, -start)], rtol=1e-9, atol=1e-12, max_step=1e-4)
    worst = max(abs(motion.at(float(t)) - y) for t, y in zip(found.t, found.y[0], strict=True))
    assert worst < 2e-4


@examples(50)
@given(
    friction=st.floats(1e-4, 5e-3), damping=st.floats(5e-4, 3e-3), start=st.floats(-0.5, 0.5),
    hang=st.floats(-0.3, 0.3), dead=st.floats(0.0, 4e-3), lag=st.floats(0.0, 4e-3),
)  # fmt: skip
def test_a_motion_ends_where_friction_holds_it(
    friction: float, damping: float, start: float, hang: float, dead: float, lag: float
) -> None:
    shaft = Shaft(**{**SHAFT, "friction": friction, "damping": damping, "dead_rad": dead, "lag_s": lag})
    motion = let_go(shaft, start, hang)
    assert math.isfinite(motion.rest)
    instants = [instant for instant, _ in motion.turns]
    assert instants == sorted(instants)
    if motion.held:
        error = abs(motion.rest)
        pull = -math.copysign(max(0.0, shaft.loop * (min(error, shaft.clip_rad) - dead)), motion.rest)
        assert abs(pull - shaft.arm * (motion.rest - hang)) <= friction * (1 + 1e-6)


@examples(100)
@given(
    exponents=st.tuples(*(st.floats(low, high) for low, high in ((-3, 9), (-6, -3), (-5, 0), (-5, -1), (-6, -2)))),
    start=st.floats(0.01, 1.0), arm=st.sampled_from([0.0, 0.05]), clip=st.floats(1e-6, 3.0),
    share=st.floats(0.05, 0.95),
)  # fmt: skip
def test_any_shaft_moves_at_once_and_passes_what_lies_on_its_way(
    exponents: tuple[float, ...], start: float, arm: float, clip: float, share: float
) -> None:
    loop, inertia, damping, lag, friction = (10.0**exponent for exponent in exponents)
    shaft = Shaft(
        loop=loop, arm=arm, inertia=inertia, damping=damping, lag_s=lag, friction=friction, dead_rad=0.0, clip_rad=clip
    )
    motion = let_go(shaft, -start, 0.0)
    assert math.isfinite(motion.rest)
    if motion.held:
        at = motion.rest
        pull = loop * min(max(at, -clip), clip) + arm * at
        assert abs(pull) <= friction + (loop + arm) * 1.1 * CREPT_RAD
    if motion.turns:
        end_s, end = motion.turns[0]
        level = -start + share * (end + start)
        crossed_s = motion.crossing(level, 0.0, end_s)
        assert 0.0 < crossed_s <= end_s
        assert motion.at(crossed_s) == pytest.approx(level, abs=1e-7 * max(start, abs(level)))


def test_a_shaft_that_creeps_comes_to_rest_where_friction_leaves_it() -> None:
    shaft = Shaft(**{**SHAFT, "damping": 0.1, "lag_s": 0.0, "dead_rad": 0.0, "clip_rad": 9.0, "arm": 0.0})
    motion = let_go(shaft, -0.06, 0.0)
    ((end_s, end),) = motion.turns
    assert motion.held and motion.rest_s == end_s
    assert end == pytest.approx(-shaft.friction / shaft.loop, abs=2e-6)
    low, high = (-0.06 + share * (end + 0.06) for share in (0.1, 0.9))
    # Two real poles: the slow one is nearly all of it (any textbook).
    slow_s = 0.5 / shaft.loop * (shaft.damping + math.sqrt(shaft.damping**2 - 4.0 * shaft.loop * shaft.inertia))
    rise_s = motion.crossing(high, 0.0, end_s) - motion.crossing(low, 0.0, end_s)
    assert rise_s == pytest.approx(slow_s * math.log(9.0), rel=1e-3)


@pytest.mark.parametrize("lag_s", [0.05, 0.08, 0.2])
def test_a_loop_so_late_that_it_runs_away_is_never_at_rest_on_its_way(lag_s: float) -> None:
    from scipy.integrate import solve_ivp

    shaft = Shaft(**{**SHAFT, "arm": 0.0, "dead_rad": 0.0, "clip_rad": 0.5, "lag_s": lag_s})
    motion = let_go(shaft, -0.06, 0.0)
    assert not motion.held

    def rate(_t: float, state: list[float]) -> list[float]:
        y, v = state
        follows = abs(y) < shaft.clip_rad
        damping = shaft.damping - (shaft.loop * shaft.lag_s if follows else 0.0)
        pull = -shaft.loop * min(max(y, -shaft.clip_rad), shaft.clip_rad)
        return [v, (pull - damping * v - shaft.friction) / shaft.inertia]

    first_s, first = motion.turns[0]
    found = solve_ivp(rate, (0.0, first_s), [-0.06, 0.0], rtol=1e-9, atol=1e-12, max_step=1e-3)
    assert found.y[0][-1] == pytest.approx(first, rel=1e-4)
    assert abs(found.y[1][-1]) < 1e-3 * np.max(np.abs(found.y[1]))


def test_linear_limit_is_the_textbook_half_cycle() -> None:
    shaft = Shaft(**{**SHAFT, "dead_rad": 0.0, "clip_rad": 9.0, "arm": 0.0})
    motion = let_go(shaft, -0.06, 0.0)
    net = shaft.damping - shaft.loop * shaft.lag_s
    w = math.sqrt(shaft.loop / shaft.inertia)
    q = math.exp(-math.pi * net / (2 * shaft.inertia * w) / math.sqrt(1 - (net / (2 * shaft.inertia * w)) ** 2))
    stick = shaft.friction / shaft.loop
    assert motion.turns[0][1] == pytest.approx(q * (0.06 - stick) - stick, rel=1e-6)
    sizes = np.abs(np.diff([y for _, y in motion.turns[:4]]))
    assert sizes[1] == pytest.approx(q * sizes[0] - 2 * (1 + q) * stick, rel=1e-6)


def test_every_planned_quantity_is_expected_with_a_width() -> None:
    found = {each.name.rpartition(".")[2]: each for each in loop.expect(SPEC, DECLARED, "leaf")}
    assert set(found) == {
        "stability_margin", "natural_frequency", "decay", "delay", "rise_time", "overshoot", "large_rise_time",
        "large_overshoot", "loop_period", "settling_time", "steady_state_error",
    }  # fmt: skip
    for each in found.values():
        assert not each.needs
        assert each.quantity is not None
        assert each.quantity.u > 0.0 or each.interval is not None
    w = found["natural_frequency"].quantity
    assert w is not None
    assert w.value == pytest.approx(50.5, abs=1.5)
    assert "motor.leaf.rotor_inertia_kg_m2" in w.budget
    low, high = found["steady_state_error"].interval or (0.0, 0.0)
    assert low < 0.0 < high
    # loop gain x (delay + T/2) against viscous + Kt^2/(1.5 R), by hand from the rig file's numbers
    kt, ohm = 1.5 * 10 * 6.6e-3, 4.85
    stiffness, late = kt * 4.93 * 6.0 / ohm, 0.4e-3 + 1.3e-3 / ohm + 0.5e-3
    by_hand = (1.3e-4 + kt**2 / (1.5 * ohm)) / (stiffness * late)
    margin = found["stability_margin"].quantity
    assert margin is not None
    assert margin.value == pytest.approx(by_hand, rel=0.03)  # as the swings show it, bent by dead time
    linear = loop.stability_margin(SPEC, DECLARED, "leaf")
    assert linear is not None
    assert linear.value == pytest.approx(by_hand, rel=1e-6)


def test_a_loop_with_too_much_gain_is_expected_to_hunt() -> None:
    assert not loop.expected_to_hunt(SPEC, DECLARED, "leaf")
    stiff = loads(RIG.read_bytes().replace(b"value = 4.93,", b"value = 12.0,"), "stiff.toml")
    assert loop.expected_to_hunt(stiff, DECLARED, "leaf")


def test_absent_inertia_is_named_and_the_rest_still_expected() -> None:
    lines = [line for line in RIG.read_text().splitlines() if not line.startswith("rotor_inertia_kg_m2")]
    spec = loads("\n".join(lines).encode(), "bare.toml")
    found = {each.name.rpartition(".")[2]: each for each in loop.expect(spec, DECLARED, "leaf")}
    assert "motor.leaf.rotor_inertia_kg_m2" in found["natural_frequency"].needs
    assert found["natural_frequency"].quantity is None
    assert found["delay"].quantity is not None
    assert found["loop_period"].quantity is not None
    assert overlay("leaf.step.small", [0.0, 0.1], BEGUN, spec, DECLARED, "leaf") is None
    assert not loop.expected_to_hunt(spec, DECLARED, "leaf")


def test_the_overlay_starts_at_zero_and_settles_near_one() -> None:
    rows = overlay("leaf.step.small", [0.0, 0.03, 0.06, 0.8], BEGUN, SPEC, DECLARED, "leaf")
    assert rows is not None
    assert rows[0][0] == pytest.approx(0.0, abs=1e-9)
    assert rows[2][0] > 1.5
    assert abs(rows[3][0] - 1.0) < 0.12
    assert overlay("leaf.step.other", [0.0], BEGUN, SPEC, DECLARED, "leaf") is None


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_overlay_ends_where_arm_and_loop_balance_at_the_place_of_its_step(way: float) -> None:
    """The arm draws it back to hanging: short of a set point away from there, beyond one on its way there."""
    parts = loop_shaft.shaft(SPEC, DECLARED, "leaf")
    held = (parts["friction"].value + parts["loop"].value * parts["dead_rad"].value) / parts["loop"].value
    for place in (-0.3, 0.0, 0.3):
        begun = {"way": way, "way_rad": 0.2, "place_rad": place}
        rows = overlay("leaf.step.large", [3.0], begun, SPEC, DECLARED, "leaf")
        assert rows is not None
        off_rad = (rows[0][0] - 1.0) * 0.2
        droop = -way * parts["arm"].value * place / (parts["loop"].value + parts["arm"].value)
        assert off_rad == pytest.approx(droop, abs=1.1 * held)


def test_a_larger_step_is_clipped_and_takes_longer() -> None:
    sizes = {"small": 0.05, "large": 0.5}
    t = [0.001 * k for k in range(400)]
    half = {}
    for size, way_rad in sizes.items():
        begun = {"way": 1.0, "way_rad": way_rad, "place_rad": way_rad}
        rows = overlay(f"leaf.step.{size}", t, begun, SPEC, DECLARED, "leaf")
        assert rows is not None
        half[size] = next(at for at, (value, _) in zip(t, rows, strict=True) if value > 0.5)
    assert half["large"] > 1.5 * half["small"]


@pytest.mark.parametrize("share", [0.6, 0.8, 1.2, 1.4])
def test_overshoot_at_other_friction_lies_within_what_the_tolerance_allows(share: float) -> None:
    """A derivative at the nominal friction said 0.02 where rigs within its tolerance differ by 0.1 and more."""
    expected = next(each for each in loop.expect(SPEC, DECLARED, "leaf") if each.name.endswith("step.overshoot"))
    assert expected.quantity is not None
    assert 0.04 < expected.quantity.u < 0.12
    parts = loop_shaft.shaft(SPEC, DECLARED, "leaf")
    values = tuple(parts[name].value * (share if name == "friction" else 1.0) for name in staircase.SHAFT)
    small, _ = staircase.sequence(values, staircase.SMALL_RAD)
    mean = np.mean([staircase.overshoot(each, each.at(0.0)) for each in small])
    assert abs(mean - expected.quantity.value) < 2.5 * expected.quantity.u


def test_draws_are_shared_out_to_their_sources() -> None:
    random = np.random.default_rng(1)
    draws = random.normal(size=(200, 2))
    made = staircase.StaircaseDraws(
        sources=("a", "b"), draws=draws, means={"x": 5.0 + 3.0 * draws[:, 0] + random.normal(0.0, 0.1, 200)}
    )
    found = made.quantity("x", "s")
    assert found.budget["a"].u == pytest.approx(3.0, abs=0.05)
    assert abs(found.budget["b"].u) < 0.05
    assert found.u == pytest.approx(3.0, rel=0.02)
    rest, (low, high) = made.bounded("x", "s")
    assert "a" not in rest.budget
    assert high - low == pytest.approx(2.0 * math.sqrt(3.0) * 3.0, rel=0.02)


def test_each_step_begins_where_the_one_before_ended() -> None:
    values = tuple({**SHAFT, "friction": 3e-3}[name] for name in staircase.SHAFT)
    small, large = staircase.sequence(values, staircase.SMALL_RAD)
    assert len(small) == 10
    assert len(large) == 2
    # Along the way of the next step: same way, the rest is carried over; other way, it changes its sign.
    assert small[1].at(0.0) == pytest.approx(small[0].rest - staircase.SMALL_RAD[1], abs=1e-9)
    assert small[2].at(0.0) == pytest.approx(-small[1].rest - staircase.SMALL_RAD[2], abs=1e-9)


def test_the_droop_is_that_of_the_places_that_the_steps_have() -> None:
    """As the procedure lays them: sizes in an order that is drawn, each place along the way of the step to it."""
    random, means = np.random.default_rng(2), []
    for _ in range(4000):
        places = np.cumsum(np.array(stimulus.WAYS) * random.permutation(stimulus.SMALL_RAD))
        means.append(np.mean(np.array(stimulus.WAYS) * places))
    assert np.mean(means) == pytest.approx(stimulus.MEAN_PLACE_RAD, abs=1e-4)
    expected = next(each for each in loop.expect(SPEC, DECLARED, "leaf") if each.name.endswith("steady_state_error"))
    assert f"{stimulus.MEAN_PLACE_RAD:.3f} rad" in expected.model
    parts = loop_shaft.shaft(SPEC, DECLARED, "leaf")
    loop_n_m, arm_n_m = parts["loop"].value, parts["arm"].value
    assert expected.quantity is not None
    assert expected.quantity.value == pytest.approx(-arm_n_m * np.mean(means) / (loop_n_m + arm_n_m), rel=3e-3)


@pytest.mark.parametrize("entry", ["on_resistance_ohm", "dead_time_s", "own_inertia_kg_m2"])
def test_what_is_seldom_stated_is_not_taken_for_nothing(entry: str) -> None:
    lines = [line for line in RIG.read_text().splitlines() if not line.startswith(entry)]
    spec = loads("\n".join(lines).encode(), "bare.toml")
    found = {each.name.rpartition(".")[2]: each for each in loop.expect(spec, DECLARED, "leaf")}
    assert [key.rpartition(".")[2] for key in found["natural_frequency"].needs] == [entry]
