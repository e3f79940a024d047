"""Amplitude that dead time takes, against a bridge that is switched step by step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.checks.commutation import analysis as commutation
from harness.checks.stiffness import readings as holding_readings
from harness.corrections.dead_time import amplitude_lost
from harness.nouns.observation import Observation
from harness.rigfile import RigSpec, load
from tests.software.corrections import bridge

SPEC = load(Path(__file__).resolve().parents[3] / "rigs_demo/rigs/sluice.toml")


def at_supply(volts: float) -> RigSpec:
    known = replace(SPEC.supply.voltage_v, value=volts)
    return SPEC.model_copy(update={"supply": SPEC.supply.model_copy(update={"voltage_v": known})})


@pytest.mark.parametrize("volts", [5.0, 12.0, 48.0])
def test_it_is_what_a_switched_bridge_lacks(volts: float) -> None:
    assert amplitude_lost(at_supply(volts), None).value == pytest.approx(bridge.amplitude_lost(volts, 0.003), rel=0.005)


def test_its_width_is_that_of_the_dead_time() -> None:
    lost = amplitude_lost(SPEC, None)
    assert set(lost.budget) == {"firmware.dead_time_s"}
    assert lost.u / lost.value == pytest.approx(0.30 / 3.0**0.5)


def declared_drive(**conditions: float) -> Observation:
    return Observation(name="leaf.stiffness.field_60", columns=(), data=np.zeros(0), conditions=conditions)


def test_a_rig_file_that_does_not_state_it_has_what_the_firmware_declares_and_nobody_has_none() -> None:
    firmware = SPEC.firmware.model_copy(update={"dead_time_s": None, "carrier_hz": None})
    silent = SPEC.model_copy(update={"firmware": firmware})
    declared = amplitude_lost(silent, declared_drive(dead_time_s=150e-9, carrier_hz=20e3))
    assert declared.value == pytest.approx(amplitude_lost(SPEC, None).value)
    assert set(declared.budget) == {"dead time declared"}
    unknown = amplitude_lost(silent, declared_drive())
    assert set(unknown.budget) == {"firmware.dead_time_s not stated"}
    assert unknown.value - 2.0 * unknown.u < declared.value < unknown.value + 2.0 * unknown.u
    assert unknown.u > 0.01


def test_alignment_and_holding_take_the_same() -> None:
    assert vars(commutation)["amplitude_lost"] is vars(holding_readings)["amplitude_lost"] is amplitude_lost
