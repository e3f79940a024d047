"""Current over idle from a supply's readings: its scatter and its last digit are in the budget, its offset is not."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from harness.checks.stiffness import supply_readings
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Quantity, propagate
from harness.rigfile import load

SPEC = load(Path(__file__).resolve().parents[4] / "rigs_demo/rigs/sluice.toml")
WITHOUT = SPEC.model_copy(
    update={"instrument": {name: entry for name, entry in SPEC.instrument.items() if entry.class_ != "supply"}}
)


def observation(name: str, supply: list[float], idle: list[float]) -> Observation:
    return Observation(
        name=f"leaf.stiffness.{name}",
        columns=(Column(name="t", unit="s"),),
        data=np.zeros(1, dtype=[("t", "<f8")]),
        conditions={"supply": [[12.0, a] for a in supply], "idle": [[12.0, a] for a in idle]},
    )


def net(supply: list[float], idle: list[float]) -> Quantity:
    field = observation("field_30", supply, idle)
    found = supply_readings.current_over_idle(field, [field], SPEC, "leaf")
    assert found is not None
    return found


def test_a_coarse_supply_is_known_to_its_last_digit_although_its_readings_agree() -> None:
    coarse, fine = net([0.117, 0.117], [0.045, 0.045]), net([0.11712, 0.11712], [0.04503, 0.04503])
    # Two means, each anywhere within half a milliampere.
    assert math.sqrt(coarse.u**2 - (0.0015 * 0.072 / math.sqrt(3.0)) ** 2) == pytest.approx(math.sqrt(1e-6 / 6.0))
    assert fine.u < coarse.u / 4.0


def test_scatter_makes_the_error_that_it_says() -> None:
    """Over many supplies that scatter by 0.3 mA, against what is really off."""
    rng = np.random.default_rng(4)
    errors, stated = [], []
    for _ in range(400):
        found = net((0.12 + rng.normal(0.0, 3e-4, 4)).tolist(), (0.05 + rng.normal(0.0, 3e-4, 2)).tolist())
        errors.append(found.value - 0.07)
        stated.append(found.u**2)
    assert math.sqrt(np.mean(np.square(errors)) / np.mean(stated)) == pytest.approx(1.0, abs=0.1)


def test_what_two_fields_share_of_the_idle_current_cancels() -> None:
    fields = [observation("field_30", [0.1176, 0.1178], [0.05, 0.052]), observation("field_60", [0.3, 0.3002],
              [0.05, 0.052])]  # fmt: skip
    low, high = (supply_readings.current_over_idle(field, fields, SPEC, "leaf") for field in fields)
    assert low is not None and high is not None
    idle = "leaf.stiffness supply current#idle"
    assert low.budget[idle].u == pytest.approx(high.budget[idle].u) != 0.0
    apart = propagate(lambda a, b: b - a, "A", a=low, b=high)
    assert idle not in apart.budget or abs(apart.budget[idle].u) < 1e-9


def test_no_supply_no_current() -> None:
    field = observation("field_30", [0.1, 0.1], [0.05, 0.05])
    assert supply_readings.current_over_idle(field, [field], WITHOUT, "leaf") is None
    assert supply_readings.voltage(field, WITHOUT) is None
    assert supply_readings.current_over_idle(observation("field_30", [], []), [], SPEC, "leaf") is None
