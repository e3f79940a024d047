"""Pins that are live after what leaves a motor off, and what is declared against the rig file."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.checks.states.analysis import analyse
from harness.checks.states.stimulus import contradictions
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Measurement
from harness.rigfile import load
from tests.software.run.fakes import SLUICE, declared

SPEC = load(SLUICE)


def test_live_pins_and_contradictions_are_counted_and_the_contradictions_told():
    observation = Observation(
        name="leaf.states.pins",
        columns=(Column(name="live_pins", unit="1"),),
        data=np.array([(0,), (2,), (1,)], dtype=[("live_pins", "<u1")]),
        conditions={"after": ["import", "off", "stop"], "live": {}, "contradictions": ["one", "other"]},
    )
    live, said = analyse([observation], SPEC, "leaf")
    assert isinstance(live, Measurement) and isinstance(said, Measurement)
    assert (live.quantity.value, said.quantity.value, said.note) == (3.0, 2.0, "one; other")


def test_a_declaration_that_is_of_this_rig_contradicts_nothing():
    assert contradictions(SPEC, "leaf", declared(dead_time_s=150e-9)) == []


OTHER = {
    "pole_pairs": (12, "motor.leaf.pole_pairs"),
    "counts_per_turn": (4096, "motor.leaf.sensor.bits"),
    "direction": (-1, "motor.leaf.direction"),
    "sensor_path": ("pulse_width", "sensor"),
    "contract": (2, "firmware.contract"),
    "carrier_hz": (16000.0, "firmware.carrier_hz"),
    "loop_period_s": (2e-3, "firmware.loop_period_s"),
    "amplitude_limit": (0.9, "firmware.amplitude_limit"),
    "dead_time_s": (1e-6, "firmware.dead_time_s"),
}


def test_an_offset_that_is_declared_with_its_sign_lost_is_told():
    turned = declared(dead_time_s=150e-9)
    unturned = declared(dead_time_s=150e-9, offset_count=turned.counts_per_turn // 10 - turned.offset_count % 3276)
    (line,) = contradictions(SPEC, "leaf", unturned)
    assert "motor.leaf.electrical_offset_rad: the rig file says 0.8, the firmware declares" in line
    nearly = declared(dead_time_s=150e-9, offset_count=turned.offset_count + 5)
    assert contradictions(SPEC, "leaf", nearly) == []


@pytest.mark.parametrize("fact", OTHER)
def test_each_fact_that_is_declared_otherwise_is_told_with_both_values(fact):
    value, key = OTHER[fact]
    lines = contradictions(SPEC, "leaf", declared(**{"dead_time_s": 150e-9, fact: value}))
    assert lines and all(key in line for line in lines)
    assert all("the rig file says" in line and "the firmware declares" in line for line in lines)
    shown = f"{value:.3g}" if isinstance(value, float) and value < 1 else str(value)
    assert shown in lines[0]


@pytest.mark.parametrize("bits", [8, 12])
@pytest.mark.parametrize("cut", [math.floor, round])
def test_a_true_offset_is_told_in_whole_counts_however_coarse_they_are(bits, cut):
    """The stated offset exactly, at places all round the turn: a count of 8 bits is a seventh of a radian there."""
    counts = 1 << bits
    entry = SPEC.motor["leaf"]
    spec = SPEC.model_copy(
        update={
            "motor": {
                **SPEC.motor,
                "leaf": entry.model_copy(update={"sensor": entry.sensor.model_copy(update={"bits": bits})}),
            }
        }
    )
    assert entry.electrical_offset_rad is not None
    for turn in range(entry.pole_pairs):
        zero_rad = (math.tau * turn - entry.electrical_offset_rad.value) / entry.pole_pairs
        declaration = declared(
            dead_time_s=150e-9, counts_per_turn=counts, offset_count=cut(zero_rad / math.tau * counts) % counts
        )
        assert contradictions(spec, "leaf", declaration) == [], turn
