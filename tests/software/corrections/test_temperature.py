"""Estimated warmth: how wide it is by a rig file's thermal figures, and without them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from harness.corrections.temperature import STATED, UNSTATED, Warmth, estimate, room, to_reference
from harness.nouns.quantity import exact
from harness.rigfile import RigSpec, load

SPEC = load(Path(__file__).resolve().parents[3] / "rigs_demo/rigs/sluice.toml")


@pytest.mark.parametrize(("stated", "share"), [(True, STATED), (False, UNSTATED)])
def test_the_rise_is_as_wide_as_is_said(stated: bool, share: float) -> None:
    spec = SPEC if stated else without_thermal()
    warmth = estimate(spec, "leaf", exact(20.0, "degC"), [(3.0, 1e5)])
    rise = warmth.winding_c.value - warmth.magnet_c.value
    assert rise == pytest.approx(3.0 * (2.0 if stated else 3.0))  # long past every time constant
    assert warmth.winding_c.budget["heating of leaf"].u * math.sqrt(3.0) == pytest.approx(share * rise)


def without_thermal() -> RigSpec:
    return SPEC.model_copy(update={"motor": {"leaf": SPEC.motor["leaf"].model_copy(update={"thermal": None})}})


def test_the_housing_is_known_to_its_share_and_to_what_checks_before_may_have_left() -> None:
    warmth = estimate(without_thermal(), "leaf", exact(20.0, "degC"), [(3.0, 1e6)], before_k=0.7)
    housing = 3.0 * 8.0  # W x K/W of a small outer-rotor motor, long past every time constant
    assert warmth.magnet_c.value - 20.0 == pytest.approx(housing)
    assert warmth.magnet_c.budget["housing of leaf"].u * math.sqrt(3.0) == pytest.approx(UNSTATED * housing + 0.7)


@pytest.mark.parametrize("spells", [[(2.0, 3.0)], [(2.0, 3.0), (0.0, 5.0), (1.0, 4.0)]])
def test_short_spells_warm_by_what_the_capacities_hold(spells: list[tuple[float, float]]) -> None:
    """Against small steps of each node's own balance."""
    warmth = estimate(without_thermal(), "leaf", exact(20.0, "degC"), spells)
    across = housing = 0.0
    step = 1e-3
    for power_w, seconds in spells:
        for _ in range(round(seconds / step)):
            across += step * (power_w - across / 3.0) / 12.0
            housing += step * (power_w - housing / 8.0) / 50.0
    assert warmth.winding_c.value - warmth.magnet_c.value == pytest.approx(across, rel=1e-3)
    assert warmth.magnet_c.value - 20.0 == pytest.approx(housing, rel=1e-3)


def test_the_room_is_what_was_read_else_what_is_stated_else_any_usual_one() -> None:
    read, stated, usual = room(SPEC, 24.5), room(SPEC, None), room(SPEC.model_copy(update={"room": None}), None)
    assert (read.value, [*read.budget]) == (24.5, ["instrument.thermometer.temperature_offset"])
    assert SPEC.room is not None and stated == SPEC.room.temperature_c.quantity("degC")
    assert (usual.value, usual.u * math.sqrt(3.0)) == (20.0, pytest.approx(10.0))


def test_a_torque_of_a_warm_motor_is_referred_to_a_cold_one() -> None:
    """By what copper and magnets lose: resistance up a tenth of its own, flux down by its share a kelvin."""
    cold = to_reference(SPEC, "leaf", Warmth(winding_c=exact(20.0, "degC"), magnet_c=exact(20.0, "degC")))
    assert cold.value == 1.0
    warm = to_reference(SPEC, "leaf", Warmth(winding_c=exact(20.0 + 25.5, "degC"), magnet_c=exact(30.0, "degC")))
    motor, on = SPEC.motor["leaf"], SPEC.driver.on_resistance_ohm
    assert motor.thermal is not None and motor.thermal.flux_per_k is not None and on is not None
    winding = motor.resistance_ohm.value  # copper: a tenth more per (235 + 20) / 10 kelvin
    current = (winding + on.value) / (1.1 * winding + on.value)
    torque = current * (1.0 + 10.0 * motor.thermal.flux_per_k.value)
    assert warm.value * torque == pytest.approx(1.0)
