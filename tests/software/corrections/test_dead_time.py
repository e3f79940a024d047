"""Amplitude that dead time takes, against a bridge that is switched step by step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.checks.commutation import alignment as alignment_results
from harness.checks.stiffness import readings as holding_readings
from harness.corrections.dead_time import amplitude_lost
from harness.rigfile import RigSpec, load
from tests.software.corrections import bridge

SPEC = load(Path(__file__).resolve().parents[3] / "rigs_demo/rigs/sluice.toml")


def at_supply(volts: float) -> RigSpec:
    known = replace(SPEC.supply.voltage_v, value=volts)
    return SPEC.model_copy(update={"supply": SPEC.supply.model_copy(update={"voltage_v": known})})


@pytest.mark.parametrize("volts", [5.0, 12.0, 48.0])
def test_it_is_what_a_switched_bridge_lacks(volts: float) -> None:
    assert amplitude_lost(at_supply(volts)).value == pytest.approx(bridge.amplitude_lost(volts, 0.003), rel=0.005)


def test_its_width_is_that_of_the_dead_time() -> None:
    lost = amplitude_lost(SPEC)
    assert set(lost.budget) == {"firmware.dead_time_s"}
    assert lost.u / lost.value == pytest.approx(0.30 / 3.0**0.5)


def test_a_rig_file_that_does_not_state_it_has_none() -> None:
    silent = SPEC.model_copy(update={"firmware": SPEC.firmware.model_copy(update={"dead_time_s": None})})
    assert amplitude_lost(silent).value == 0.0


def test_alignment_and_holding_take_the_same() -> None:
    assert vars(alignment_results)["amplitude_lost"] is vars(holding_readings)["amplitude_lost"] is amplitude_lost
