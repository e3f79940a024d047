"""Motor and alignment models: conventions, facts of the trade, what a rig file lets expect."""

from __future__ import annotations

import math
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.checks.catalogue import row_of
from harness.checks.commutation import model as alignment
from harness.checks.commutation import overlay as following
from harness.nouns.contract import Declared
from harness.nouns.quantity import rectangular
from harness.physics import drive, motor
from harness.rigfile import load
from tests.software.checks.windings import Machine
from tests.software.run.fakes import declared

SPEC = load("rigs_demo/rigs/sluice.toml")
BEGUN = {"amplitude": 0.6, "speed_rad_s": 1.6, "acceleration_rad_s2": 8.0}
NOTHING = cast("Declared", None)  # where the rig file states a thing, what the firmware says of it plays no part


def test_table_of_48_entries() -> None:
    # Common practice, no source: 48 entries an electrical turn; with seven pole pairs 336 a turn of the shaft.
    entry = math.tau / 48
    assert [round(math.radians(deg) / entry) % 48 for deg in (120, 240, 90, -90)] == [16, 32, 12, 36]
    assert motor.electrical_angle(1, 7, math.tau, 0.0) / entry == pytest.approx(336)


def test_sine_periods_in_a_turn_are_pole_pairs() -> None:
    # Common practice, no source: seven periods, seven pole pairs.
    shaft = np.linspace(0.0, math.tau, 7 * 64 + 1)
    wave = np.sin([motor.electrical_angle(1, 7, s, 0.1) for s in shaft])
    assert np.count_nonzero((wave[:-1] < 0.0) & (wave[1:] >= 0.0)) == 7


@given(angle=st.floats(0.0, math.tau))
def test_torque_is_greatest_90_degrees_ahead(angle: float) -> None:
    # Common practice, no source: +90 and -90 degrees turn opposite ways, nothing pulls harder.
    torques = [math.sin(field) for field in (math.pi / 2, -math.pi / 2, angle)]
    assert torques[0] == -torques[1] >= torques[2]


def test_peak_torque_by_hand() -> None:
    # 1.5 x 11 x 6 mV s x 0.6 x 6 V / 5.85 ohm
    torque = motor.peak_torque(11, 6e-3, 0.6, 12.0, 5.6, 0.25)
    assert torque == pytest.approx(0.0609, rel=1e-3)
    less = motor.peak_torque(11, 6e-3, 0.6, 12.0, 5.6, 0.25, 150e-9, 20_000.0)
    assert 1.0 - less / torque == pytest.approx(4 / math.pi * 150e-9 * 20_000 * 13.4 / 3.6, rel=1e-6)


def test_dead_time_takes_a_small_field_whole() -> None:
    assert drive.phase_volts(0.001, 12.0, 150e-9, 20_000.0) == 0.0
    assert drive.phase_volts(0.5, 12.0) == 3.0


def test_lag_is_the_reading_s_age_and_the_winding_s_time_constant() -> None:
    # 0.10 ms, and 1.4 mH over 4.9 ohm in phase: the rig file's own numbers, by hand.
    entry = SPEC.motor["leaf"]
    lag = alignment.reading_lag(SPEC, "leaf")
    assert lag.quantity is not None and entry.inductance_h is not None and SPEC.driver.on_resistance_ohm is not None
    ohm = entry.resistance_ohm.value + SPEC.driver.on_resistance_ohm.value
    assert lag.quantity.value == pytest.approx(0.10e-3 + entry.inductance_h.value / ohm, rel=1e-6)
    silent = SPEC.model_copy(update={"motor": {"leaf": entry.model_copy(update={"inductance_h": None})}})
    assert alignment.reading_lag(silent, "leaf").needs == ("motor.leaf.inductance_h",)


def test_an_arm_pulls_back_to_hanging() -> None:
    assert motor.arm_torque(0.17, 0.03, 9.80665, math.pi / 2) == pytest.approx(-0.05001, rel=1e-3)


def test_every_planned_quantity_has_an_expectation() -> None:
    names = [e.name for e in alignment.expect(SPEC, NOTHING, "leaf")]
    assert names == [
        f"leaf.commutation.{name}"
        for name in (
            "direction",
            "pole_pairs",
            "phase_order",
            "step_angle",
            "step_spread",
            "offset",
            "hang_reading",
            "weakest_vector",
            "sensor_noise",
            "distinct_codes",
            "sensor_age",
            "reading_lag",
            "impossible_ages",
        )
    ]
    assert {name.rpartition(".")[2] for name in names} == {
        measurand.name for measurand in row_of("commutation").quantities
    }
    for expectation in alignment.expect(SPEC, NOTHING, "leaf"):
        assert (expectation.quantity is None) == bool(expectation.needs)


def test_absent_inputs_are_named() -> None:
    leaf = SPEC.motor["leaf"].model_copy(update={"electrical_offset_rad": None, "load": None, "direction": None})
    spec = SPEC.model_copy(update={"motor": {"leaf": leaf}})
    needs = {e.name.rpartition(".")[2]: e.needs for e in alignment.expect(spec, declared(), "leaf")}
    assert needs["offset"] == needs["phase_order"] == ("motor.leaf.electrical_offset_rad",)
    assert needs["hang_reading"] == ("motor.leaf.load.hang_reading_rad",)
    assert needs["direction"] == ()
    assert motor.needs(spec, "leaf", ("mass_kg", "flux_v_s")) == ("motor.leaf.load.mass_kg",)
    assert following.overlay("leaf.commutation.following", [0.0], BEGUN, spec, NOTHING, "leaf") is None


@pytest.mark.parametrize("sense", [1, -1])
def test_a_sense_that_the_rig_file_leaves_out_is_the_firmwares(sense: int) -> None:
    leaf = SPEC.motor["leaf"].model_copy(update={"direction": None})
    silent = SPEC.model_copy(update={"motor": {"leaf": leaf}})
    expectation = alignment.expect(silent, declared(direction=sense), "leaf")[0]
    assert expectation.quantity is not None and expectation.quantity.value == sense and expectation.quantity.exact
    assert expectation.inputs == {"the firmware's declare(leaf), direction": sense}
    stated = alignment.expect(SPEC, declared(direction=sense), "leaf")[0]
    assert stated.inputs == {"motor.leaf.direction": 1.0}, "the rig file goes first"


def test_codes_of_normal_noise() -> None:
    random = np.random.default_rng(3)
    code = math.tau / 16384
    met = [np.unique(np.round(random.uniform() + random.normal(0.0, 1.1, 256))).size for _ in range(400)]
    expected = alignment.codes(rectangular(1.1 * code, 0.1 * code, "rad", "noise"), 14)
    assert expected.value == pytest.approx(np.mean(met), abs=0.15)
    assert expected.u > 0.0


def test_overlay_is_the_balance_of_torques() -> None:
    leaf = SPEC.motor["leaf"]
    fields = [20.0, 22.0, 23.0, 24.0]
    for speed_rad_s in (1.6, -1.6):
        for amplitude in (0.6, 0.3):
            begun = {"amplitude": amplitude, "speed_rad_s": speed_rad_s, "acceleration_rad_s2": 8.0}
            rows = following.overlay("leaf.commutation.following", fields, begun, SPEC, declared(), "leaf")
            ratio = following.arm_over_field(SPEC, declared(), "leaf", amplitude)
            drag = following.drag_over_field(SPEC, declared(), "leaf", amplitude, speed_rad_s)
            assert rows is not None and ratio is not None and drag is not None
            for field, (reading, u) in zip(fields, rows, strict=True):
                ahead = math.sin(field - 0.80 - leaf.pole_pairs * reading)
                assert ahead == pytest.approx(ratio.value * math.sin(reading - 2.0) + drag.value, abs=1e-6)
                assert 0.0 < u < 0.02


def test_what_drags_is_the_friction_of_the_sense_and_what_the_shorted_winding_takes() -> None:
    """From three windings in which the turning magnet drives currents, and the torque of a field on them."""
    machine, volts = Machine(pole_pairs=10, flux_v_s=6.6e-3, ohm=4.6 + 0.25), 12.0
    lost = 4.0 / math.pi * 150e-9 * 20e3
    largest = machine.torque(math.pi / 2.0 / 10, 0.6 - 2.0 * lost, volts)
    for speed_rad_s in (2.0, -2.0):
        drag = following.drag_over_field(SPEC, declared(), "leaf", 0.6, speed_rad_s)
        taken = math.copysign(2.1e-3, speed_rad_s) + (1.3e-4 + 1.5 * (10 * 6.6e-3) ** 2 / 4.85) * speed_rad_s
        assert drag is not None
        assert drag.value == pytest.approx(taken / largest, rel=2e-3)


def test_an_arm_may_swing_about_its_field_by_what_breaks_loose_and_what_speeds_up() -> None:
    """A spring k let go by twice its friction swings by 2 F / k; drawn along by a ramp of speed, by a J / k."""
    still = following.swinging_over_field(SPEC, declared(), "leaf", 0.3, 0.0)
    drag = following.drag_over_field(SPEC, declared(), "leaf", 0.3, 1e-9)
    assert drag is not None
    assert still == pytest.approx(2.0 * drag.value, rel=1e-6)
    ratio = following.arm_over_field(SPEC, declared(), "leaf", 0.3)
    assert ratio is not None
    more = following.swinging_over_field(SPEC, declared(), "leaf", 0.3, 8.0) - still
    arm = 0.205 * 9.80665 * 0.030
    assert more / ratio.value * arm == pytest.approx(8.0 * (4.6e-5 + 0.205 * 0.030**2 + 1e-5), rel=2e-3)
    bare = SPEC.motor["leaf"].model_copy(update={"rotor_inertia_kg_m2": None})
    silent = SPEC.model_copy(update={"motor": {**SPEC.motor, "leaf": bare}})
    assert following.swinging_over_field(silent, declared(), "leaf", 0.3, 8.0) == 0.0
