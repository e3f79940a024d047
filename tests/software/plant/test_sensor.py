"""Angle sensor: word, parity, age, pulse-width frame, errors once and twice a turn."""

from __future__ import annotations

from dataclasses import replace
from math import tau

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigs_demo.plant import drawing
from rigs_demo.plant.sensor import (
    PULSE_CLOCKS,
    PULSE_HEADER,
    Sensor,
    reading_rad,
    shaft_at_reading,
    with_parity,
)
from tests.software.plant.rigs import MS, place, powered, rig

LEAF = drawing.load("sluice").motors["leaf"]


@given(st.integers(0, 0x7FFF))
def test_parity_is_odd_over_the_whole_word(payload: int) -> None:
    assert with_parity(payload << 1).bit_count() % 2 == 1
    assert with_parity(payload << 1) >> 1 == payload


@given(st.floats(-20.0, 20.0))
def test_a_reading_leads_back_to_its_shaft_angle(theta: float) -> None:
    assert shaft_at_reading(LEAF, reading_rad(LEAF, theta)) == pytest.approx(theta, abs=1e-9)


def test_readings_scatter_by_the_noise_about_the_reading() -> None:
    sensor = Sensor(LEAF, "leaf", 1, lambda _: 1.0)
    codes = [sensor.word(0) >> 1 for _ in range(4000)]
    mean = sum(codes) / len(codes)
    spread = (sum((code - mean) ** 2 for code in codes) / len(codes)) ** 0.5
    noise_codes = LEAF.sensor.noise_rad / tau * 32768
    assert mean == pytest.approx(reading_rad(LEAF, 1.0) / tau * 32768, abs=0.1)
    assert spread == pytest.approx((noise_codes**2 + 1.0 / 12.0) ** 0.5, rel=0.05)


def test_a_word_is_as_old_as_its_latency() -> None:
    asked: list[int] = []

    def theta_at(t_ns: int) -> float:
        asked.append(t_ns)
        return 0.0

    sensor = Sensor(LEAF, "leaf", 1, theta_at)
    sensor.word(10 * MS)
    assert asked == [10 * MS - round(LEAF.sensor.latency_s * 1e9)]


def test_a_reading_that_the_sensor_doubts_has_the_wrong_parity() -> None:
    sensor = Sensor(replace(LEAF, sensor=replace(LEAF.sensor, noise_rad=0.0)), "leaf", 1, lambda _: 0.0)
    sound = sensor.word(0)
    sensor.error = True
    assert sound.bit_count() % 2 == 1
    assert sensor.word(0) == sound ^ 1


@given(st.integers(0, 10**9))
def test_a_pulse_frame_is_the_same_however_often_it_is_looked_at(t_ns: int) -> None:
    sensor = Sensor(LEAF, "leaf", 1, lambda _: 2.0)
    rising, high, period = sensor.pulse(t_ns)
    assert sensor.pulse(t_ns) == sensor.pulse(rising) == (rising, high, period)
    assert rising <= t_ns < rising + period
    code = high * PULSE_CLOCKS / period - PULSE_HEADER
    assert code == pytest.approx(
        reading_rad(LEAF, 2.0) / tau * 4096, abs=8.0 * 4096 * LEAF.sensor.pulse_noise_rad / tau + 1
    )


def test_a_shaft_is_read_where_it_was() -> None:
    plant = powered(rig())
    shaft = plant.motors[0].shaft
    place(plant, 0, shaft.hang_rad + 1.0)
    begun = plant.time_ns
    angles = {}
    for k in range(1, 91):
        plant.advance_to(begun + k * 100_000)
        angles[k] = shaft.theta_rad
    assert abs(angles[90] - angles[40]) > 1e-3
    for k in (89, 70, 40):
        assert plant.shaft_rad(0, begun + k * 100_000) == pytest.approx(angles[k], abs=1e-12)
        between = 0.7 * angles[k - 1] + 0.3 * angles[k]
        assert plant.shaft_rad(0, begun + k * 100_000 - 70_000) == pytest.approx(between, abs=1e-12)
