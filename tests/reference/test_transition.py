"""Steps of textbooks through the step check: what is read off a record, and what the model's motion gives."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.checks.step import metrics, staircase
from harness.checks.step.steps import Step
from harness.fits import pulse
from harness.fits.swings import decay_per_half_cycle, find_swings
from harness.physics.swing import Shaft, SwingMotion, let_go
from tests.reference.cases import Case, reference

Array = NDArray[np.float64]
SIZE_RAD = 100.0
"""Of a step, so that the smallest swing that counts, 10 mrad, is a ten-thousandth of it."""
HASTE = 100.0
"""The model cuts a motion after some seconds: textbook times are taken in hundredths."""
STILL = 1e-9
"""Friction over the first push: the model's shaft without any would never rest."""


def _second_order(t: Array, zeta: float, wn: float) -> Array:
    wd = wn * math.sqrt(1.0 - zeta**2)
    return np.asarray(1.0 - np.exp(-zeta * wn * t) * (np.cos(wd * t) + zeta * wn / wd * np.sin(wd * t)))


def _step(t: Array, share: Array, way: float = 1.0) -> Step:
    """A record of the step check that goes by `share` of its way."""
    before = np.linspace(-0.1, -1e-3, 100)
    return Step(
        t_s=t, angle_rad=way * SIZE_RAD * share, demand=np.zeros(t.size), before_s=before, before_rad=0.0 * before,
        set_point_rad=way * SIZE_RAD, place_rad=0.0, clipped=False, still=True,
    )  # fmt: skip


def _read_off(t: Array, share: Array) -> dict[str, object]:
    """What the check reads off steps either way."""
    steps = [_step(t, share, way) for way in (1.0, -1.0, 1.0, -1.0)]
    _, middle, _ = pulse.reference_instants(steps[0].transition())
    settling = metrics.settling(steps, 0.0, 1.0, "steps").value
    return {
        "overshoot_percent": 100.0 * metrics.overshoot(steps[0]),
        "rise_10_90_s": metrics.rise(steps[0]),
        "crossing_50_s": middle,
        "settle_2_percent_s": middle + settling,
        "settle_2_percent_from_50_crossing_s": settling,
    }


def _swing(zeta: float, wn: float) -> SwingMotion:
    """The model's motion of the same loop, from 1 rad short of its set point, in hundredths of the time."""
    w = HASTE * wn
    return let_go(
        Shaft(loop=w * w, arm=0.0, inertia=1.0, damping=2.0 * zeta * w, lag_s=0.0, friction=STILL * w * w,
              dead_rad=0.0, clip_rad=9.0), -1.0, 0.0,
    )  # fmt: skip


def _modelled(zeta: float, wn: float) -> dict[str, object]:
    """What the model reads off its own motion."""
    motion = _swing(zeta, wn)
    first_s = motion.turns[0][0]
    middle = HASTE * motion.crossing(-0.5, 0.0, first_s)
    settling = {band: HASTE * staircase.settling(motion, -1.0, band / 300.0) for band in (2, 5)}
    return {
        "overshoot_percent": 100.0 * staircase.overshoot(motion, -1.0),
        "peak_time_s": HASTE * first_s,
        "rise_0_100_s": HASTE * motion.crossing(0.0, 0.0, first_s),
        "rise_10_90_s": HASTE * staircase.rise(motion, -1.0),
        "crossing_50_s": middle,
        "settle_2_percent_s": middle + settling[2],
        "settle_5_percent_s": middle + settling[5],
        "settle_2_percent_from_50_crossing_s": settling[2],
    }


def _expected(case: Case, computed: dict[str, object]) -> dict[str, object]:
    """What the case has of it; one prints its rise time twice."""
    computed["rise_10_90_book_s"] = computed["rise_10_90_s"]
    return {name: value for name, value in computed.items() if name in case.expect}


def _from_record(case: Case) -> dict[str, object]:
    zeta, wn = case.input["zeta"], case.input["wn_rad_s"]
    t = np.arange(0.0, 40.0 / wn, 1e-3 / wn)
    return _expected(case, _read_off(t, _second_order(t, zeta, wn)))


def _from_model(case: Case) -> dict[str, object]:
    return _expected(case, _modelled(case.input["zeta"], case.input["wn_rad_s"]))


TURN = "the fit about a turning point leaves damping out: 0.1 % of an overshoot of 20 %, 1 % of one of 3 %"
FITTED = {"overshoot_percent": (0.02, TURN)}
test_kani_from_a_record = reference("kani-3-6", FITTED)(_from_record)
HALVED = (1e-7, "instants are halved to 1 in 67 million of a swing, and a shaft without friction never rests")
test_kani_from_the_model = reference("kani-3-6", dict.fromkeys(("overshoot_percent", "rise_0_100_s"), HALVED))(
    _from_model
)
test_ogata_from_a_record = reference("ogata-5-1", FITTED)(_from_record)
test_ogata_from_the_model = reference("ogata-5-1")(_from_model)
test_nise_from_a_record = reference("nise-4-5", FITTED)(_from_record)
test_nise_from_the_model = reference("nise-4-5")(_from_model)


def _machine(case: Case) -> tuple[float, float]:
    """Damping ratio and natural frequency that the case's inputs make, as it says."""
    i = case.input
    stiffness = i["power_W"] / (2.0 * math.pi * i["frequency_Hz"] / (i["poles"] / 2)) / i["angle_elec_deg"]
    return i["Kd"] / (2.0 * math.sqrt(stiffness * i["Kj"])), math.sqrt(stiffness / i["Kj"])


def _swinging(wd: float, decay: float, overshoot: float) -> dict[str, object]:
    """In the words of the case, from the frequency and the decay per half cycle of the swings."""
    rate = decay * wd / math.pi
    wn = math.hypot(wd, rate)
    return {"wd": wd, "wn": wn, "zeta": rate / wn, "overshoot_percent": 100.0 * overshoot}


@reference("srivastava-6-23")
def test_swing_of_a_machine_from_a_record(case: Case) -> dict[str, object]:
    t = np.arange(0.0, 10.0, 1e-3)
    step = _step(t, _second_order(t, *_machine(case)))
    swings = find_swings(step.t_s, step.angle_rad)
    decay, _ = decay_per_half_cycle([swings] * 3, "swings")
    return _swinging(swings.frequency_rad_s, decay.value, metrics.overshoot(step))


@reference("srivastava-6-23")
def test_swing_of_a_machine_from_the_model(case: Case) -> dict[str, object]:
    motion = _swing(*_machine(case))
    decay = staircase.decay([motion] * 3, 9.0)
    return _swinging(staircase.frequency(motion) / HASTE, decay, staircase.overshoot(motion, -1.0))


@reference("fourth-order-reference-page")
def test_late_settling(case: Case) -> dict[str, object]:
    up, down = np.poly1d(case.input["numerator"]), np.poly1d(case.input["denominator"])
    t = np.linspace(0.0, 120.0, 100_001)
    modes = [up(pole) / (pole * down.deriv()(pole)) * np.exp(pole * t) for pole in down.roots]
    share = 1.0 + np.real(sum(modes)) / case.input["final_value"]
    steps = [_step(t, share, way) for way in (1.0, -1.0)]
    settling = metrics.settling(steps, 0.0, 1.0, "steps").value
    return {
        "rise_10_90_s": metrics.rise(steps[0]),
        "settle_2_percent_s": pulse.reference_instants(steps[0].transition())[1] + settling,
    }


SAMPLED = "exact in closed form; here from samples"


@reference(
    "first-order",
    dict.fromkeys(("rise_10_90", "crossing_50", "settle_2_percent", "settle_5_percent"), (1e-8, SAMPLED)),
)
def test_first_order(case: Case) -> dict[str, object]:
    t = np.arange(0.0, 8.0, 1e-4)
    move = pulse.transition(t, 1.0 - np.exp(-t / case.input["tau_s"]), 0.0, 1.0)
    middle = pulse.reference_instants(move)[1]
    return {
        "rise_10_90": pulse.rise_time(move),
        "crossing_50": middle,
        "settle_2_percent": middle + pulse.settling_time(move),
        "settle_5_percent": middle + pulse.settling_time(move, 0.05),
    }


@reference("pulse-terms")
def test_reference_levels(case: Case) -> dict[str, object]:
    """A straight way from level to level in a hundred seconds: where it is at each instant is what the instant says."""
    t = np.linspace(0.0, 101.0, 10_101)
    move = pulse.transition(t, np.minimum(t, 100.0), 0.0, 100.0)
    low, middle, high = pulse.reference_instants(move)
    band = 100.0 - (middle + pulse.settling_time(move))
    return {
        "low_reference_percent": round(low, 9),
        "mid_reference_percent": round(middle, 9),
        "high_reference_percent": round(high, 9),
        "default_settling_band_percent": round(band, 9),
    }


@reference("sampled-step-a", {"overshoot_percent": (2e-3, TURN)})
def test_a_sampled_step(case: Case) -> dict[str, object]:
    move = pulse.transition(case.column("t_s"), case.column("y"), case.input["low"], case.input["high"])
    after = move.t_s >= case.input["step_instant_s"]
    return {
        "rise_10_90_s": pulse.rise_time(move),
        "crossing_50_s": pulse.reference_instants(move)[1],
        "overshoot_percent": 100.0 * metrics.overshoot(_step(move.t_s[after], move.fraction[after])),
        "settle_2_percent_from_50_crossing_s": pulse.settling_time(move),
    }
