"""What holding together is expected to change: against two machines on one source, solved as a network."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from harness.base.gravity import STANDARD_M_S2
from harness.checks.together import model
from harness.nouns.quantity import Quantity
from harness.rigfile import loads
from tests.software.checks.windings import RIG, Machine, changed

DECLARED: Any = SimpleNamespace(pole_pairs=10, carrier_hz=20e3)
SOURCE_OHM, OPEN_V, GAIN, REACH = 0.5, 12.0, 49.3, 0.6
NAMES = ("leaf", "wheel")
STIFF = changed("firmware.gain_per_rad", 10.0)
"""The rig with a loop so stiff that its arms sink little: what is expected is of first order in that."""
UNLIKE = changed("motor.wheel.load.mass_kg", 0.6, changed("motor.wheel.flux_linkage_v_s", 0.75, STIFF))
"""With a wheel that carries less and holds less, so that it shows which motor a number belongs to."""
TEXT = UNLIKE.replace(
    "[supply]", f"[supply]\ninternal_resistance_ohm = {{ value = {SOURCE_OHM}, tolerance_percent = 20 }}"
)
MACHINES = {
    "leaf": Machine(pole_pairs=10, flux_v_s=6.6e-3, ohm=4.6 + 0.25),
    "wheel": Machine(pole_pairs=10, flux_v_s=0.75 * 6.4e-3, ohm=4.4 + 0.25),
}
ARMS = {"leaf": 0.205 * 0.0300 * STANDARD_M_S2, "wheel": 0.6 * 0.201 * 0.0300 * STANDARD_M_S2}


def deflection(name: str, volts: float) -> float:
    """How far short of its set point a loop holds its arm, by halving: the field stands a quarter turn ahead."""
    quarter = math.pi / 2.0 / 10
    per_rad = MACHINES[name].torque(quarter, GAIN, volts)  # without dead time torque goes with the amplitude
    low, high = 0.0, 0.4
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if per_rad * middle < ARMS[name] * math.sin(REACH - middle) else (low, middle)
    return low


def holding(*names: str) -> tuple[dict[str, float], float]:
    """Deflections, and the volts at the terminals, while these hold."""
    volts = OPEN_V
    for _ in range(40):
        errors = {name: deflection(name, volts) for name in names}
        volts = OPEN_V - SOURCE_OHM * sum(MACHINES[name].supply_a(GAIN * errors[name], volts) for name in names)
    return errors, volts


def expectations(text: str = TEXT) -> dict[str, Quantity]:
    found = {}
    for each in model.expect(loads(text.encode(), "rig.toml"), DECLARED, "together"):
        assert each.quantity is not None
        found[each.name] = each.quantity
    return found


def test_each_deflection_grows_by_what_the_other_motor_takes_of_the_source() -> None:
    both, _ = holding(*NAMES)
    grown = {name: both[name] - holding(name)[0][name] for name in NAMES}
    assert grown["wheel"] > 1.2 * grown["leaf"] > 0.0, "else whose current it is would not show"
    for name in NAMES:
        found = expectations()[f"together.{name}_deflection_change"]
        assert found.unit == "rad"
        assert found.value == pytest.approx(grown[name], rel=0.05)


def test_the_sag_is_what_holding_alone_leaves_on_the_mean_less_what_holding_together_does() -> None:
    alone = sum(holding(name)[1] for name in NAMES) / 2.0
    found = expectations()["together.supply_sag"]
    assert found.unit == "V"
    assert found.value == pytest.approx(alone - holding(*NAMES)[1], rel=0.05)


KEYS = {
    "supply.internal_resistance_ohm": 20e-2, "motor.leaf.load.mass_kg": 0.3e-2, "motor.wheel.load.length_m": 0.5e-2,
    "motor.leaf.flux_linkage_v_s": 3e-2, "motor.wheel.flux_linkage_v_s": 3e-2, "motor.leaf.resistance_ohm": 2e-2,
    "motor.wheel.resistance_ohm": 2e-2, "driver.on_resistance_ohm": 20e-2, "supply.voltage_v": 0.5e-2,
    "firmware.gain_per_rad": 0.5e-2,
}  # fmt: skip
"""With their relative half-widths in the rig file."""


@pytest.mark.parametrize("name", ["leaf_deflection_change", "wheel_deflection_change", "supply_sag"])
def test_each_input_moves_an_expectation_by_what_its_budget_says(name: str) -> None:
    whole = expectations()[f"together.{name}"]
    for key, half_width in KEYS.items():
        high, low = (expectations(changed(key, 1.0 + side * 1e-3, TEXT))[f"together.{name}"].value for side in (1, -1))
        said = whole.budget[key].u * math.sqrt(3.0) / half_width if key in whole.budget else 0.0
        assert said == pytest.approx((high - low) / 2e-3, rel=0.05, abs=1e-9), key
    assert "local gravity" in whole.budget


def test_a_source_at_constant_voltage_lets_expect_no_change_at_all() -> None:
    found = expectations(RIG)
    assert list(found) == [f"together.{name}_deflection_change" for name in NAMES] + ["together.supply_sag"]
    assert all(quantity.value == 0.0 and quantity.exact for quantity in found.values())


def test_what_is_not_stated_of_either_motor_is_named() -> None:
    lines = [line for line in TEXT.splitlines() if not line.startswith(("flux_linkage", "gain_per_rad"))]
    for each in model.expect(loads("\n".join(lines).encode(), "rig.toml"), DECLARED, "together"):
        assert each.quantity is None
        assert each.needs == (
            "motor.leaf.flux_linkage_v_s", "firmware.gain_per_rad", "motor.wheel.flux_linkage_v_s",
        )  # fmt: skip


def test_a_supply_that_holds_its_voltage_lets_nobody_feel_the_other() -> None:
    found = expectations(RIG)
    assert {name: (quantity.value, quantity.exact) for name, quantity in found.items()} == {
        "together.leaf_deflection_change": (0.0, True),
        "together.wheel_deflection_change": (0.0, True),
        "together.supply_sag": (0.0, True),
    }
