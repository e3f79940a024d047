"""Winding temperature by resistance: there and back, and what a ratio cancels."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.reference import RECIPROCAL_COEFFICIENT_C
from harness.corrections.resistance import resistance_at, rise_k, temperature_c
from harness.nouns.quantity import Quantity, exact, propagate, rectangular

COPPER = exact(235.0, "degC")
temperatures = st.floats(-40.0, 200.0)


@given(st.floats(0.01, 100.0), temperatures, temperatures, st.sampled_from(sorted(RECIPROCAL_COEFFICIENT_C)))
def test_there_and_back(cold_ohm: float, cold: float, hot: float, conductor: str) -> None:
    k = RECIPROCAL_COEFFICIENT_C[conductor]
    assert temperature_c(resistance_at(cold_ohm, cold, hot, k) / cold_ohm, cold, k) == pytest.approx(hot, abs=1e-6)


def reading(true_ohm: float, source: str) -> Quantity:
    gain = rectangular(1.0, 0.005, "1", source)
    return propagate(lambda g: true_ohm * g, "ohm", g=gain)


def test_a_meters_gain_cancels_in_the_ratio() -> None:
    """Readings good to half a per cent each are worth 2.2 K if they are taken as independent."""
    cold_c, ambient = exact(20.0, "degC"), exact(20.0, "degC")
    one_meter = rise_k(reading(6.9, "meter.gain"), reading(5.6, "meter.gain"), cold_c, ambient, COPPER)
    two_meters = rise_k(reading(6.9, "meter.gain"), reading(5.6, "other.gain"), cold_c, ambient, COPPER)
    assert one_meter.u < 1e-3
    assert two_meters.u == pytest.approx(1.28, abs=0.1)
    assert one_meter.value == pytest.approx(59.2, abs=0.1)


@given(st.floats(-10.0, 10.0))
def test_a_change_of_the_room_is_taken_off(change: float) -> None:
    still = rise_k(exact(6.9, "ohm"), exact(5.6, "ohm"), exact(20.0, "degC"), exact(20.0, "degC"), COPPER)
    moved = rise_k(exact(6.9, "ohm"), exact(5.6, "ohm"), exact(20.0, "degC"), exact(20.0 + change, "degC"), COPPER)
    assert moved.value == pytest.approx(still.value - change)
