"""Holding stiffness from made-up sweeps: a little statics of its own, solved by bisection, not the fit's formula."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.base.errors import MeasurementError
from harness.checks.catalogue import row_of
from harness.checks.stiffness import analysis as stiffness
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec, load, loads
from tests.software.checks.commutation.turned_field import COLUMNS
from tests.software.corrections import bridge

PLANNED = tuple(measurand.name for measurand in row_of("stiffness").quantities)

ROOT = Path(__file__).resolve().parents[4]
SPEC = load(ROOT / "rigs_demo/rigs/sluice.toml")
ARM = 0.205 * 0.0300 * 9.80665
POLES, TURN, HANG = 10, 32768, 2.00
KT, OHM, FRICTION, LOOP = 0.095, 4.9, 0.0020, 0.55
LOST = bridge.amplitude_lost(12.0, 150e-9 * 20e3)
TYPE = np.dtype([("t", "<u4"), ("count", "<u2"), ("age", "<u2"), ("command", "<i4"), ("amplitude", "<i2")])


def still(field: float, peak: float, drag: float, eccentric: float) -> float:
    """Shaft angle where peak sin(field - p s) balances arm and drag, by bisection on the stable side of the field."""
    low, high = field / POLES - 0.5 * math.pi / POLES, field / POLES + 0.5 * math.pi / POLES
    for _ in range(60):
        middle = (low + high) / 2
        surplus = peak * math.sin(field - POLES * middle) - ARM * math.sin(middle) - drag
        low, high = (middle, high) if surplus > 0 else (low, middle)
    return low + eccentric * math.sin(low + 0.7)


def rows(
    name: str, command: list[int], shaft: list[float], amplitude: list[float], **conditions: object
) -> Observation:
    generator = np.random.default_rng(5)
    data = np.zeros(len(command), dtype=TYPE)
    data["t"] = np.arange(len(command)) * 10_000
    data["command"] = command
    data["count"] = [round((s + HANG + generator.normal(0, 4e-4)) / math.tau * TURN) % TURN for s in shaft]
    data["amplitude"] = [round(a * 32768) for a in amplitude]
    columns = tuple(Column(name=word, unit=unit, scale=scale) for word, unit, scale in COLUMNS)
    return Observation(name=f"leaf.stiffness.{name}", columns=columns, data=data, conditions=conditions)


def there_and_back(reach: float, points: int = 160) -> tuple[list[float], list[float]]:
    """A triangle 0, reach, -reach, 0 and the sense of motion at each point."""
    legs = [np.linspace(0, reach, points), np.linspace(reach, -reach, 2 * points), np.linspace(-reach, 0, points)]
    sense = [1.0] * points + [-1.0] * 2 * points + [1.0] * points
    return [float(x) for leg in legs for x in leg], sense


def observations(kt: float = KT, gain: float = LOOP, eccentric: float = 5e-3) -> list[Observation]:
    made = []
    zero = POLES * HANG + 0.8
    lost = LOST
    dead = 150e-9 * 20000 * 6 / math.pi
    # The sweep's own damping is part of what drags; the analysis takes the rig file's off again.
    damping = 1.5 * (POLES * 6.6e-3) ** 2 / 4.6 + 1.3e-4
    room = {"room_c": 20.0}
    for amplitude in (0.3, 0.6):
        travel, sense = there_and_back(0.4)
        current = (amplitude - lost) * 6.0 / OHM
        drag = FRICTION + damping * (0.4 / 1.6)
        shaft = [still(POLES * x, kt * current, d * drag, eccentric) for x, d in zip(travel, sense, strict=True)]
        command = [round((POLES * x + zero) / math.tau * 65536) for x in travel]
        drawn = current * (0.75 * amplitude - dead) + 0.045
        made.append(
            rows(
                f"field_{round(100 * amplitude)}",
                command,
                shaft,
                [amplitude] * len(command),
                zero_rad=zero,
                set_amplitude=amplitude,
                supply=[[12.0, drawn]] * 4,
                idle=[[12.0, 0.045]] * 2,
                **room,
            )
        )
    falling = np.linspace(0.6, 0.31, 300)
    shaft = [still(POLES * 0.6, kt * (a - lost) * 6.0 / OHM, -FRICTION, eccentric) for a in falling]
    command = [round((POLES * 0.6 + zero) / math.tau * 65536)] * 300
    made.append(rows("slip", command, shaft, [float(a) for a in falling], zero_rad=zero, slipped=0.3, **room))
    travel, sense = there_and_back(0.5)
    shaft = []
    for x, d in zip(travel, sense, strict=True):
        low, high = -1.0, 1.0
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if gain * (x - middle) > ARM * math.sin(middle) + d * FRICTION else (low, middle)
        shaft.append(low)
    made.append(rows("loop", [round((x + HANG) / math.tau * TURN) for x in travel], shaft, [0.0] * len(travel), **room))
    for word, sign in (("up", 1), ("down", -1)):
        made.append(clipped(word, sign))
    return made


def clipped(word: str, sign: int, clip_n_m: float = 0.043, begin: float = 0.1, stands_n_m: float = 0.0) -> Observation:
    """The set point slowly on to 1.25 rad: the arm follows until the loop can do no more, or stands from the first."""
    travel = np.concatenate((np.linspace(begin, 1.25, 400), np.full(60, 1.25)))
    stands = math.asin(min(1.0, (clip_n_m - FRICTION) / ARM))
    shaft = np.minimum(travel - 0.05, stands)
    if stands_n_m:
        shaft = np.full(travel.size, math.asin(stands_n_m / ARM))
    command = [round((sign * x + HANG) / math.tau * TURN) for x in travel]
    return rows(f"clip_{word}", command, (sign * shaft).tolist(), [0.0] * travel.size, room_c=20.0)


def value(results: list[Measurement | Unmeasured], name: str) -> Measurement:
    found = next(result for result in results if result.name == f"leaf.stiffness.{name}")
    assert isinstance(found, Measurement)
    return found


@pytest.mark.parametrize("eccentric", [0.0, 5e-3])
def test_torques_come_back_whatever_the_sensors_eccentricity(eccentric: float) -> None:
    results = stiffness.analyse(observations(eccentric=eccentric), SPEC, "leaf")
    assert [result.name.rpartition(".")[2] for result in results] == list(PLANNED)
    true_peak = KT * (0.6 - LOST) * 6.0 / OHM
    # The estimated warmth of a real sweep (2 to 4 K) is taken for granted here: 2 % either way.
    assert value(results, "torque_per_ampere").quantity.value == pytest.approx(KT, rel=0.015)
    assert value(results, "open_loop").quantity.value == pytest.approx(POLES * true_peak, rel=0.03)
    assert value(results, "slip_torque").quantity.value == pytest.approx(true_peak, rel=0.04)
    assert value(results, "friction").quantity.value == pytest.approx(FRICTION, rel=0.08)
    assert value(results, "closed_loop").quantity.value == pytest.approx(LOOP, rel=0.02)
    assert value(results, "clip_torque").quantity.value == pytest.approx(0.043, rel=0.03)


def test_a_weaker_magnet_shows_in_torque_per_ampere_and_not_in_the_ratio_alone() -> None:
    sound = stiffness.analyse(observations(), SPEC, "leaf")
    weak = stiffness.analyse(observations(kt=0.85 * KT, gain=0.85 * LOOP), SPEC, "leaf")
    for name, ratio in (("torque_per_ampere", 0.85), ("open_loop", 0.85), ("closed_loop", 0.85), ("ratio", 1.0)):
        assert value(weak, name).quantity.value / value(sound, name).quantity.value == pytest.approx(ratio, rel=0.01)


def test_inertias_that_are_stated_as_exact_leave_everything_to_be_measured() -> None:
    text = (ROOT / "rigs_demo/rigs/sluice.toml").read_text(encoding="utf-8")
    firm = re.sub(r"(inertia_kg_m2 = .*tolerance)_percent = [\d.]+", r"\1 = 0", text)
    assert firm.count("tolerance = 0 }") == 4
    results = stiffness.analyse(observations(), loads(firm.encode(), "rig.toml"), "leaf")
    as_stated = stiffness.analyse(observations(), SPEC, "leaf")
    for name in ("open_loop", "closed_loop", "torque_per_ampere"):
        stated = value(as_stated, name).quantity.value
        assert value(results, name).quantity.value == pytest.approx(stated, rel=0.01)


def test_a_field_that_never_slipped_is_an_error_not_a_number() -> None:
    taken = observations()
    taken[2] = replace(taken[2], conditions={**taken[2].conditions, "slipped": None})
    with pytest.raises(MeasurementError, match="did not slip"):
        stiffness.analyse(taken, SPEC, "leaf")


def test_without_a_supply_reading_the_current_is_missing_and_the_torques_are_not() -> None:
    taken = [replace(sweep, conditions={**sweep.conditions, "supply": [], "idle": []}) for sweep in observations()]
    results = stiffness.analyse(taken, SPEC, "leaf")
    missing = [result for result in results if isinstance(result, Unmeasured)]
    assert [entry.name.rpartition(".")[2] for entry in missing] == ["torque_per_ampere", "supply_voltage"]
    assert value(results, "open_loop").quantity.u > 0.0


def with_clips(**changes: float) -> list[Observation]:
    taken = [observation for observation in observations() if ".clip_" not in observation.name]
    return [*taken, *(clipped(word, sign, **changes) for word, sign in (("up", 1), ("down", -1)))]


@pytest.mark.parametrize("clip_n_m", [0.0145, 0.024, 0.036, 0.050])
def test_the_clip_is_found_wherever_the_arm_meets_it(clip_n_m: float) -> None:
    clip = value(stiffness.analyse(with_clips(clip_n_m=clip_n_m), SPEC, "leaf"), "clip_torque").quantity
    assert abs(clip.value - clip_n_m) < 3.0 * clip.u
    assert clip.u < 0.04 * clip_n_m


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stands_n_m": 0.042}, "at its clip before the slow approach"),
        ({"clip_n_m": 0.072}, "never came to its clip: a heavier or longer arm"),
    ],
)
def test_a_clip_that_the_arm_did_not_come_to_from_below_is_no_number(changes: dict[str, float], words: str) -> None:
    results = stiffness.analyse(with_clips(**changes), SPEC, "leaf")
    (clip,) = [result for result in results if result.name == "leaf.stiffness.clip_torque"]
    assert isinstance(clip, Unmeasured)
    assert clip.outcome is Outcome.CANNOT_TELL
    assert words in clip.reason
    assert value(results, "closed_loop").quantity.value == pytest.approx(LOOP, rel=0.02)


def test_an_open_loop_run_alone_gives_what_it_can() -> None:
    results = stiffness.analyse(observations()[:3], SPEC, "leaf")
    assert {result.name.rpartition(".")[2] for result in results} == {
        "open_loop",
        "friction",
        "slip_torque",
        "torque_per_ampere",
        "supply_voltage",
    }


def test_readings_that_move_together_count_as_fewer() -> None:
    def waved(observation: Observation) -> Observation:
        data = observation.data.copy()
        data["count"] += np.round(6.0 * np.sin(data["count"] / TURN * math.tau * 15.0)).astype(np.uint16)
        return replace(observation, data=data)

    def dof(taken: list[Observation]) -> float:
        return value(stiffness.analyse(taken, SPEC, "leaf"), "open_loop").quantity.budget["leaf held-field fit#1"].dof

    plain = observations()
    assert 3.0 <= dof([*map(waved, plain[:2]), *plain[2:]]) < dof(plain) / 1.5


def test_a_coarse_supply_current_widens_what_is_weighed_by_it() -> None:
    def coarse(observation: Observation) -> Observation:
        looks = {key: [[v, round(a, 3)] for v, a in observation.conditions.get(key, [])] for key in ("supply", "idle")}  # type: ignore[attr-defined]
        return replace(observation, conditions={**observation.conditions, **looks})

    exact, rounded = observations(), [coarse(observation) for observation in observations()]
    fine, wide = (value(stiffness.analyse(o, SPEC, "leaf"), "torque_per_ampere").quantity for o in (exact, rounded))
    # 0.41 mA on 60 mA of the smaller field, twice as much on the difference of the deflections.
    added = math.sqrt(wide.u**2 - fine.u**2) / wide.value
    assert 0.003 < added < 0.02
    assert abs(wide.value - fine.value) / fine.value < 3.0 * added


def test_every_arm_dependent_number_names_the_arm_in_its_budget() -> None:
    results = stiffness.analyse(observations(), SPEC, "leaf")
    for name in ("open_loop", "closed_loop", "friction", "slip_torque", "clip_torque", "torque_per_ampere"):
        assert "motor.leaf.load.length_m" in value(results, name).quantity.budget, name
    shares = dict(value(results, "ratio").quantity.shares())
    assert shares.get("motor.leaf.load.length_m", 0.0) < 1e-6, "the arm cancels in the ratio"


def silent_about(*keys: str) -> RigSpec:
    leaf = SPEC.motor["leaf"].model_copy(update=dict.fromkeys(keys))
    return SPEC.model_copy(update={"motor": {**SPEC.motor, "leaf": leaf}})


@pytest.mark.parametrize("supply", [True, False])
@pytest.mark.parametrize("key", ["flux_linkage_v_s", "viscous_friction_n_m_s"])
def test_friction_without_what_brakes_beside_it_is_as_wide_as_that_is_unknown(key: str, supply: bool) -> None:
    taken = observations()
    if not supply:
        taken = [replace(sweep, conditions={**sweep.conditions, "supply": [], "idle": []}) for sweep in taken]
    known, unknown = (
        value(stiffness.analyse(taken, spec, "leaf"), "friction").quantity for spec in (SPEC, silent_about(key))
    )
    # What drags in `observations` is that of the stated flux; the field that they show is a weaker one's.
    electrical = 1.5 * (POLES * 6.6e-3) ** 2 / 4.6 if key != "flux_linkage_v_s" else KT**2 / 1.5 / OHM
    true = FRICTION + 0.25 * (1.5 * (POLES * 6.6e-3) ** 2 / 4.6 - electrical)
    assert abs(unknown.value - true) < 2.5 * unknown.u
    assert unknown.u > known.u or key == "flux_linkage_v_s"  # which the field itself shows better than the file knew
    assert unknown.u < 0.25e-3
