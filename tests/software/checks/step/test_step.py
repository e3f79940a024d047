"""Step response from records of a small simulation of its own: values, coverage, and what each kind of delay does."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.base.errors import MeasurementError
from harness.checks.catalogue import row_of
from harness.checks.step import analysis as step
from harness.checks.step import dynamics as step_dynamics
from harness.checks.step import metrics as step_metrics
from harness.checks.step import steps as step_record
from harness.checks.step.stimulus import SMALL_RAD, WAYS
from harness.corrections.cogging import cogging_of
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Outcome, Unmeasured
from harness.rigfile import load
from tests.software.checks.step.loop_simulation import COUNTS, LoopPlants, draw, run

PLANNED = tuple(measurand.name for measurand in row_of("step").quantities)

RIG = Path(__file__).parents[4] / "rigs_demo" / "rigs" / "sluice.toml"
SPEC = load(RIG)
HOLD = 1000
"""Passes a step."""
PLANTS = 4


def staircase(seed: int = 5) -> list[float]:
    order = np.random.default_rng(seed).permutation(len(SMALL_RAD))
    return list(np.cumsum([way * SMALL_RAD[size] for way, size in zip(WAYS, order, strict=True)]))


def records(plants: LoopPlants, places: list[float], seed: int = 3) -> list[Observation]:
    """One observation a plant, as the procedure would take it."""
    number = np.concatenate((np.zeros(200, dtype=int), np.repeat(np.arange(1, len(places) + 1), HOLD)))
    targets = np.concatenate((np.zeros(200), np.repeat(places, HOLD)))
    ticks, counts, demands = run(plants, targets, 1e-3, seed)
    found = []
    for plant in range(plants.inertia.size):
        start = round(float(plants.hang[plant]) / math.tau * COUNTS)
        data = np.zeros(ticks.size, dtype=[("t", "<u4"), ("count", "<u2"), ("demand", "<i2"), ("step", "u1")])
        data["t"], data["count"], data["demand"], data["step"] = ticks, counts[:, plant], demands[:, plant], number
        found.append(
            Observation(
                name="leaf.step.trace",
                columns=(
                    Column(name="t", unit="s", scale=1e-6), Column(name="count", unit="rad", scale=math.tau / COUNTS),
                    Column(name="demand", unit="1", scale=1 / 32768), Column(name="step", unit="1"),
                ),
                data=data,
                conditions={
                    "offsets_count": [round(place / math.tau * COUNTS) for place in places], "start_count": start,
                    "small_steps": 10,
                    "counts_per_turn": COUNTS, "hook_cost_s": 1e-6, "noise_count": 4, "most_s": 1.2,
                    "pace": "own", "clip": 0.4, "room_c": 20.0,
                },
            )
        )  # fmt: skip
    return found


def measured(observation: Observation) -> dict[str, Measurement | Unmeasured]:
    return {result.name.rpartition(".")[2]: result for result in step.analyse([observation], SPEC, "leaf")}


def quantity(results: dict[str, Measurement | Unmeasured], name: str) -> Quantity:
    result = results[name]
    assert isinstance(result, Measurement), result
    return result.quantity


@pytest.fixture(scope="module")
def drawn_once() -> tuple[LoopPlants, Observation]:
    plants = draw(1, 4)
    return plants, records(plants, staircase())[0]


@pytest.fixture(scope="module")
def healthy() -> tuple[LoopPlants, list[dict[str, Measurement | Unmeasured]]]:
    plants = draw(PLANTS, 1, dead_voltage=np.zeros(PLANTS))
    return plants, [measured(observation) for observation in records(plants, staircase())]


@pytest.mark.slow
def test_frequency_decay_and_delay_are_those_of_the_plant(
    healthy: tuple[LoopPlants, list[dict[str, Measurement | Unmeasured]]],
) -> None:
    plants, results = healthy
    loop = plants.torque_constant * plants.gain * plants.half_supply / plants.resistance
    w = np.sqrt((loop + plants.arm) / plants.inertia)
    delay = plants.age_s + plants.latency_s + plants.inductance / plants.resistance
    damping = plants.viscous + plants.torque_constant**2 / (1.5 * plants.resistance) - loop * (delay + 0.5e-3)
    decay = math.pi * damping / (2 * plants.inertia * w)
    for name, true, most in (("natural_frequency", w, 1.0), ("decay", decay, 0.05), ("delay", delay, 0.4e-3)):
        z = []
        for plant, found in enumerate(results):
            value = quantity(found, name)
            assert abs(value.value - true[plant]) < most, name
            z.append((value.value - true[plant]) / value.u)
        assert math.sqrt(np.mean(np.square(z))) < 2.0, name


@pytest.mark.slow
def test_what_was_planned_is_answered(
    healthy: tuple[LoopPlants, list[dict[str, Measurement | Unmeasured]]],
) -> None:
    _, results = healthy
    assert tuple(results[0]) == PLANNED
    missing = [name for name, result in results[0].items() if isinstance(result, Unmeasured)]
    assert missing == ["large_rise_time", "large_overshoot"]
    assert results[0]["large_overshoot"].outcome is Outcome.NOT_RUN  # type: ignore[union-attr]
    margin = quantity(results[0], "stability_margin")
    assert 1.3 < margin.value < 4.0
    assert quantity(results[0], "loop_period").value == pytest.approx(1e-3, rel=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["extra_output_delay", "stale_reading"])
def test_two_passes_late_are_seen_whichever_way_the_firmware_is_late(kind: str) -> None:
    plants = draw(2, 1, coulomb=np.full(2, 2.5e-3), **{kind: 2})
    delay = plants.age_s + plants.latency_s + plants.inductance / plants.resistance + 2e-3
    for plant, observation in enumerate(records(plants, staircase())):
        found = measured(observation)
        assert abs(quantity(found, "delay").value - delay[plant]) < 0.5e-3
        assert quantity(found, "stability_margin").value < 1.2
        assert quantity(found, "decay").value < 0.03


def test_curves_are_short_enough_for_a_page(drawn_once: tuple[LoopPlants, Observation]) -> None:
    _, observation = drawn_once
    curve = step.curves([observation], SPEC, "leaf")[0]
    assert curve.name == "leaf.step.small"
    assert set(curve.series) == {"up", "down"}
    assert all(len(points) <= 1200 for points in curve.series.values())


def test_period_and_jitter() -> None:
    random = np.random.default_rng(1)
    t = np.round((np.arange(4000) * 1.002e-3 + random.normal(0, 20e-6, 4000)) * 1e6) * 1e-6
    period, jitter = step_metrics.timing(t, "leaf.step")
    assert abs(period.value - 1.002e-3) < 4 * period.u
    assert jitter.value == pytest.approx(20e-6 * math.sqrt(2), rel=0.1)


def made_of(
    angles: NDArray[np.float64], still: bool = True, size: float = 0.06, way: int = 1, place: float = 0.0
) -> step_record.Step:
    """One step of `size` to `place`, a pass a millisecond, after rest; `angles` along its way from there."""
    start = place - way * size
    return step_record.Step(
        t_s=1e-3 * np.arange(angles.size, dtype=np.float64), angle_rad=start + way * angles,
        demand=np.zeros(angles.size), before_s=1e-3 * np.arange(-60, 0, dtype=np.float64),
        before_rad=np.full(60, start), set_point_rad=place, place_rad=place, clipped=False, still=still,
    )  # fmt: skip


def ringing(level: float, size: float = 0.06) -> NDArray[np.float64]:
    """A step of `size` that rings about `level` and is held there after some half cycles."""
    t = np.arange(600) * 1e-3
    return np.where(t < 0.30, level - size * np.exp(-3.0 * t) * np.cos(52.0 * t), level)


def test_a_step_that_did_not_come_to_rest_has_no_overshoot() -> None:
    """Its final level would be a swing's: large steps that were cut short had 8 % too much overshoot."""
    assert 0.7 < step_metrics.overshoot(made_of(ringing(0.06))) < 0.95
    for value in (step_metrics.overshoot, step_metrics.rise):
        with pytest.raises(MeasurementError, match=r"did not come to rest within 0.6 s: the loop hunts"):
            value(made_of(ringing(0.06), still=False))


def test_two_large_steps_scatter_as_the_levels_of_the_small_ones() -> None:
    """What friction does to single levels is what the mean over two large steps is off by."""
    random = np.random.default_rng(3)
    z = []
    for _ in range(60):
        places = np.cumsum(np.array(WAYS) * 0.06)
        small = [
            made_of(ringing(0.06 + random.normal(0, 2e-3)), way=way, place=float(place))
            for way, place in zip(WAYS, places, strict=True)
        ]
        large = []
        for _ in range(2):
            angles = ringing(0.3, 0.3)
            angles[400:] += random.normal(0, 2e-3)  # the way there as it was, held elsewhere
            large.append(made_of(angles, size=0.3))
        found = step_metrics.large_overshoot(large, small, cogging_of(SPEC, "leaf"), "levels")
        true = step_metrics.overshoot(made_of(ringing(0.3, 0.3), size=0.3))
        z.append((found.value - true) / found.u)
    assert 0.65 < math.sqrt(float(np.mean(np.square(z)))) < 1.4


def test_ten_steps_that_settle_alike_leave_room_for_an_eleventh_that_does_not() -> None:
    steps = [made_of(ringing(0.06) + 1e-5 * k) for k in range(10)]
    found = step_metrics.settling(steps, 0.0, 0.06, "settling")
    assert found.u > 0.06 * math.sqrt(0.5 / 11 * 10.5 / 11 / 10) * 0.99


def test_ten_steps_that_rest_alike_do_not_say_where_another_ten_would() -> None:
    """Each run's steps all end at one place of the band that friction leaves; the mean is that place."""
    random = np.random.default_rng(5)
    rest_rad, z = 4e-3, []
    places = np.cumsum(np.array(WAYS) * 0.06)
    for _ in range(60):
        own = random.uniform(-rest_rad, rest_rad) / math.sqrt(10.0)
        steps = [
            made_of(ringing(0.06 + own + random.normal(0.0, 1e-5)), way=way, place=float(place))
            for way, place in zip(WAYS, places, strict=True)
        ]
        found = step_metrics.error_left(steps, cogging_of(SPEC, "leaf"), "error", rest_rad)
        z.append(found.value / found.u)
    assert 0.65 < math.sqrt(float(np.mean(np.square(z)))) < 1.4


def test_friction_leaves_the_shaft_within_its_torque_over_the_stiffness() -> None:
    inertia = 4.6e-5 + 0.205 * 0.03**2 + 1.0e-5
    assert step_dynamics.rest_half_width_rad([], SPEC, "leaf", 50.0) == pytest.approx(
        2.1e-3 / (inertia * 2500.0), rel=1e-6
    )
