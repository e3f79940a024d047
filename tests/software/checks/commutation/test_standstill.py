"""Noise, codes and age of a sensor at rest."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import MeasurementError
from harness.checks.commutation import standstill
from tests.examples import examples

CODE = math.tau / 16384


def runs(sigma: float, seed: int, count: int = 3) -> list[np.typing.NDArray[np.float64]]:
    random = np.random.default_rng(seed)
    return [
        np.round((random.uniform(-1, 1) * 9 * CODE + random.normal(0.0, sigma, 256)) / CODE) * CODE
        for _ in range(count)
    ]


@examples(40)
@given(sigma=st.floats(0.2 * CODE, 10.0 * CODE), seed=st.integers(0, 10_000))
def test_noise_without_its_quantisation(sigma: float, seed: int) -> None:
    noise = standstill.noise(runs(sigma, seed), CODE, "s")
    assert abs(noise.value - sigma) < 4.5 * noise.u


@pytest.mark.parametrize("ratio", [0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 1.0])
@pytest.mark.parametrize("places", [1, 3])
def test_errors_of_a_coarse_code_are_as_large_as_stated(ratio: float, places: int) -> None:
    found = [standstill.noise(runs(ratio * CODE, seed, places), CODE, "s") for seed in range(150)]
    errors = [(noise.value - ratio * CODE) / noise.u for noise in found]
    assert 0.4 < math.sqrt(float(np.mean(np.square(errors)))) < 1.3


@pytest.mark.parametrize("ratio", [0.15, 0.25, 0.3, 0.4, 0.5])
def test_what_sheppards_correction_leaves_is_that_of_a_rounded_normal_noise(ratio: float) -> None:
    codes = np.arange(-8, 9)
    left = []
    for place in np.arange(64) / 64.0 - 0.5:
        below = np.vectorize(math.erf)((codes[:, None] + [-0.5, 0.5] - place) / ratio / math.sqrt(2.0)) / 2.0
        chance = below[:, 1] - below[:, 0]
        left.append(chance @ codes**2 - (chance @ codes) ** 2 - 1.0 / 12.0 - ratio**2)
    rms = math.sqrt(float(np.mean(np.square(left))))
    assert standstill.sheppard_left(ratio**2) / math.sqrt(2.0) == pytest.approx(rms, rel=0.12 if ratio < 0.2 else 0.02)


def test_a_single_code_tells_only_that_noise_is_small() -> None:
    noise = standstill.noise([np.zeros(256)], CODE, "s")
    assert noise.value == 0.0
    assert 0.05 * CODE < noise.u < CODE


@pytest.mark.parametrize("ratio", [0.6, 1.1, 3.0])
def test_expected_codes_are_the_mean_of_many_runs(ratio: float) -> None:
    counts = [np.unique(run).size for run in runs(ratio * CODE, 1, 300)]
    mean, deviation = standstill.expected_codes(ratio * CODE, CODE)
    assert mean == pytest.approx(np.mean(counts), abs=0.15)
    assert deviation == pytest.approx(np.std(counts), rel=0.35)


def test_codes_need_a_whole_run() -> None:
    with pytest.raises(MeasurementError, match="256 readings"):
        standstill.distinct_codes([np.zeros(100)], CODE, CODE, "s")


def test_age_is_a_mean_with_its_stamp() -> None:
    age = standstill.age(np.full(100, 86e-6), "s")
    assert age.value == pytest.approx(86e-6)
    assert age.u == pytest.approx(standstill.LATCH_S / math.sqrt(3.0))


@pytest.mark.parametrize("code_rad", [3.8e-4, 1.5e-3])
def test_a_shaft_that_still_swings_is_told_from_one_at_rest(code_rad: float) -> None:
    random = np.random.default_rng(11)
    at_rest = random.normal(0.3, 4e-4, (200, standstill.READINGS))
    swing = 5e-3 * np.sin(15.0 * 4e-3 * np.arange(standstill.READINGS))
    still = [standstill.moves(np.round(run / code_rad) * code_rad) for run in at_rest]
    swinging = [standstill.moves(np.round((run + swing) / code_rad) * code_rad) for run in at_rest]
    assert not any(still) and all(swinging)
    assert not standstill.moves(np.full(standstill.READINGS, 0.3))
