"""How far a sensor's slow error may bend a reading, from an amplitude anywhere up to the stated one, at any phase."""

from __future__ import annotations

import re

import numpy as np
import pytest

from harness.corrections.sensor_error import sensor_error_u
from harness.rigfile import loads
from tests.software.checks.windings import RIG

STATED_RAD = 7.0e-3
DICE = np.random.default_rng(2)
COSINES = DICE.uniform(0.0, 1.0, 400_000) * np.cos(DICE.uniform(0.0, 2.0 * np.pi, 400_000))
"""Cosine parts of amplitudes up to 1 at any phase."""


def test_each_part_scatters_as_such_amplitudes_do() -> None:
    once, twice = sensor_error_u(loads(RIG.encode(), "rig.toml"), "leaf")
    assert once == pytest.approx(STATED_RAD * float(np.std(COSINES)), rel=0.01)
    assert twice == pytest.approx(once / 4.0)


@pytest.mark.parametrize(("stated", "expected"), [("eccentricity_rad = 0.0\n", 1e-4), ("", 0.02 / 6.0**0.5)])
def test_no_sensor_is_without_error_and_one_of_which_nothing_is_stated_may_have_a_degree(
    stated: str, expected: float
) -> None:
    text = re.sub(r"^eccentricity_rad = .*\n", stated, RIG, flags=re.MULTILINE)
    assert sensor_error_u(loads(text.encode(), "rig.toml"), "leaf")[0] == pytest.approx(expected)
