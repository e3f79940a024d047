"""A heating as the procedure runs it, on motors whose heat we integrate ourselves: never too sure, whatever they are.

The curves are those of motors that our two lags do not describe, or of a bench that misleads: each read again and
again with other noise, and judged against a limit that the true rise is just beyond.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import pytest

from harness.base.errors import StoppedByBoard
from harness.checks.thermal import procedure
from harness.checks.thermal.analysis import analyse, curves
from harness.checks.thermal.model import heating_modes
from harness.checks.thermal.stimulus import BOOST, CURRENT_A, Stimulus
from harness.judge.verdict import Rule, against_requirement
from harness.nouns.coverage import half_width
from harness.nouns.observation import Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Outcome, Requirement
from harness.rigfile import RigSpec
from tests.examples import rounds
from tests.software.checks.thermal.heated_bench import Body, HeatedBench, Service
from tests.software.checks.thermal.test_thermal import SPEC

FREE, BOLTED = "free", "bolted"
CASES: Mapping[str, tuple[Body, str | None, float]] = {
    "as modelled": (Body(), FREE, 450.0),
    "half of the cooling grows with the rise": (Body(bent=0.5), FREE, 450.0),
    "all of the cooling grows with the rise": (Body(bent=1.0), FREE, 450.0),
    "on 150 J/K": (Body(plate_k_w=6.0, plate_j_k=150.0), BOLTED, 900.0),
    "on 400 J/K": (Body(plate_k_w=6.0, plate_j_k=400.0), BOLTED, 900.0),
    "on 400 J/K, and nobody says so": (Body(plate_k_w=6.0, plate_j_k=400.0), None, 900.0),
    "on a kilogram of aluminium": (Body(plate_k_w=3.0, plate_j_k=900.0), BOLTED, 900.0),
    "idle current 1 mA up": (Body(idle_hot_a=1e-3), FREE, 450.0),
    "idle current 2 mA up": (Body(idle_hot_a=2e-3), FREE, 450.0),
    "idle current 3 mA up": (Body(idle_hot_a=3e-3), FREE, 450.0),
    "a room that drifts by 2 K": (Body(room_k_s=2.0 / 1530.0), FREE, 450.0),
    "stopped at half a slow time": (Body(), FREE, 300.0),
    "stopped at a slow time": (Body(), FREE, 600.0),
    "heated before by 30 K": (Body(warm_k=30.0), FREE, 500.0),
}
"""What is heated, how the rig file says that it is mounted, and how long it is heated for, s."""
SEEDS = 8
HELD = 0.85
"""Share of intervals that must hold: 17 of 20 (arbitrary)."""


def spec_of(mounting: str | None, ohm: float = 5.64) -> RigSpec:
    """The demo's rig file for another motor."""
    leaf = SPEC.motor["leaf"]
    assert leaf.thermal is not None
    resistance = dataclasses.replace(leaf.resistance_ohm, value=ohm)
    thermal = leaf.thermal.model_copy(update={"mounting": mounting})
    motor = leaf.model_copy(update={"thermal": thermal, "resistance_ohm": resistance})
    return SPEC.model_copy(update={"motor": {**SPEC.motor, "leaf": motor}})


def heated(
    patch: pytest.MonkeyPatch, body: Body, mounting: str | None, *, seconds: float, seed: int = 1, boost: float = BOOST
) -> tuple[HeatedBench, RigSpec, list[Observation]]:
    """What the procedure reads of a body within so many seconds."""
    spec = spec_of(mounting)
    bench = HeatedBench(body=body, spec=spec, seed=seed)
    patch.setattr(procedure, "HeatingService", Service)
    patch.setattr(procedure, "long_enough", lambda *_: bench.clock.now > seconds)
    stimulus = Stimulus(current_a=CURRENT_A, boost_a=boost * CURRENT_A)
    return bench, spec, procedure.procedure(bench, "leaf", stimulus)  # type: ignore[arg-type]


def measured(observations: list[Observation], spec: RigSpec) -> dict[str, Quantity]:
    results = analyse(observations, spec, "leaf")
    return {r.name.rpartition(".")[2]: r.quantity for r in results if isinstance(r, Measurement)}


QUICK = {"all of the cooling grows with the rise", "on 400 J/K", "idle current 3 mA up"}


@pytest.mark.parametrize("case", [pytest.param(c, marks=[] if c in QUICK else [pytest.mark.slow]) for c in CASES])
def test_the_true_rise_lies_in_the_interval_and_nothing_beyond_a_limit_conforms(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    body, mounting, seconds = CASES[case]
    true_k = body.final_k()
    rule = Rule(planned=1, requirements={})
    seeds = rounds(SEEDS)
    held = accepted = 0
    for seed in range(seeds):
        _, spec, observations = heated(monkeypatch, body, mounting, seconds=seconds, seed=seed)
        rise = measured(observations, spec)["rise"]
        held += abs(rise.value - true_k) <= half_width(rise)
        limit = Requirement(name="thermal.rise", high=0.999 * true_k)
        verdict = against_requirement(Measurement(name="leaf.thermal.rise", quantity=rise), limit, rule)
        accepted += verdict.outcome is Outcome.CONFORMING
    assert held >= HELD * seeds - 1e-9 - (seeds < SEEDS)  # of a few, one more may miss
    assert accepted <= rule.false_acceptance_risk * seeds + 1.0


def test_without_noise_every_quantity_comes_out_where_it_was_put(monkeypatch: pytest.MonkeyPatch) -> None:
    body = Body()
    _, spec, observations = heated(monkeypatch, body, FREE, seconds=700.0)
    found = measured(observations, spec)
    true = heating_modes(body.ohm, body.winding_k_w, body.housing_k_w, body.winding_j_k, body.housing_j_k)
    wanted = {
        "resistance": body.ohm, "rise": body.final_k(), "fast_rise": true.fast_rise_k, "fast_time": true.fast_time_s,
        "slow_time": true.times_s[0], "driver_rise": body.driver_k,
    }  # fmt: skip
    for name, value in wanted.items():
        assert found[name].value == pytest.approx(value, abs=3.0 * found[name].u), name
        assert found[name].u < 0.04 * value, name


def test_a_motor_of_which_nobody_says_how_it_is_mounted_is_doubted(monkeypatch: pytest.MonkeyPatch) -> None:
    doubts, widths = [], []
    for mounting in (FREE, None):
        _, spec, observations = heated(monkeypatch, Body(), mounting, seconds=450.0)
        rise = measured(observations, spec)["rise"]
        doubts.append("leaf a body behind the housing" in rise.budget)
        widths.append(rise.u)
    assert doubts == [False, True]
    assert widths[1] > widths[0]


def test_the_curve_is_referred_to_one_current_and_a_cold_motor(monkeypatch: pytest.MonkeyPatch) -> None:
    body = Body(warm_k=5.0)
    _, spec, observations = heated(monkeypatch, body, FREE, seconds=450.0)
    (curve,) = curves(observations, spec, "leaf")
    true = heating_modes(body.ohm, body.winding_k_w, body.housing_k_w, body.winding_j_k, body.housing_j_k)
    for at_s, rise_k in curve.series["measured"][::10]:
        assert rise_k == pytest.approx(true.at(at_s), abs=1.5)


def test_where_no_stronger_current_is_allowed_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, _, observations = heated(monkeypatch, Body(), FREE, seconds=450.0, boost=1.1)
    assert bench.kept == observations
    duties = observations[0].rows("duties")
    assert max(duty for _, duty in duties) < 1.25 * duties[-2][1]


def test_every_look_is_held_against_the_windings_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    def check_limits(self: HeatedBench, *, winding_temperature_c: float = 0.0, **_: float) -> None:
        if winding_temperature_c > 60.0:
            raise StoppedByBoard(f"leaf: winding {winding_temperature_c:.0f} degC")

    monkeypatch.setattr(HeatedBench, "check_limits", check_limits)
    with pytest.raises(StoppedByBoard, match=r"leaf: winding 6[01] degC"):
        heated(monkeypatch, Body(), FREE, seconds=700.0)


def test_the_stronger_current_ends_before_the_windings_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    hottest = []
    look = Service.look
    monkeypatch.setattr(Service, "look", lambda self: (hottest.append(self.bench.state[1]), look(self))[1])
    heated(monkeypatch, Body(ohm=5.64, winding_k_w=4.0), FREE, seconds=450.0)
    assert max(hottest) < SPEC.limits.winding_temperature_c
