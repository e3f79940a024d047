"""What holding is expected to be: against three windings one by one, and its budget against inputs that are changed."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from harness.checks.stiffness import model
from harness.checks.stiffness.overlay import overlay
from harness.nouns.quantity import Quantity
from harness.nouns.results import Expectation
from harness.rigfile import RigSpec, loads
from tests.software.checks.windings import RIG, Machine, changed

DECLARED: Any = SimpleNamespace(pole_pairs=10, carrier_hz=20e3)
SOURCE = "[supply]\ninternal_resistance_ohm = { value = 1.5, tolerance_percent = 20 }"
WEAK = RIG.replace("[supply]", SOURCE)
"""The rig on a source of so much resistance that its sag is seen."""
LEAF = Machine(pole_pairs=10, flux_v_s=6.6e-3, ohm=4.6 + 0.25, dead_share=150e-9 * 20e3)
GAIN, CLIP, FRICTION = 4.93, 0.4, 2.1e-3


def spec_of(text: str) -> RigSpec:
    return loads(text.encode(), "rig.toml")


def expectations(text: str = RIG, motor: str = "leaf") -> dict[str, Expectation]:
    found = model.expect(spec_of(text), DECLARED, motor)
    return {each.name.rpartition(".")[2]: each for each in found}


def expected(name: str, text: str = RIG) -> Quantity:
    quantity = expectations(text)[name].quantity
    assert quantity is not None
    return quantity


def aside() -> np.ndarray:
    """Cosines, drawn, of how far firmware turns its field aside: its offset, an eccentricity anywhere up to 7 mrad."""
    draw = np.random.default_rng(1)
    n = 400_000
    error = draw.uniform(-0.08, 0.08, n)
    error += 10 * 7.0e-3 * draw.uniform(0.0, 1.0, n) * np.sin(draw.uniform(0.0, 2.0 * math.pi, n))
    return np.asarray(np.cos(error))


def test_a_held_field_is_as_stiff_and_as_strong_as_three_windings_are() -> None:
    slope = LEAF.torque(1e-5, 0.6, 12.0) / 1e-5
    assert expected("open_loop").value == pytest.approx(slope, rel=5e-4)
    assert expected("slip_torque").value == pytest.approx(LEAF.largest_torque(0.6, 12.0), rel=5e-4)


def test_a_weak_source_takes_from_a_field_what_its_current_lets_drop() -> None:
    whole = LEAF.largest_torque(0.6, 12.0)
    sagged = LEAF.largest_torque(0.6, LEAF.at_terminals_v(0.6, 12.0, 1.5))
    lost = 1.0 - expected("slip_torque", WEAK).value / expected("slip_torque").value
    assert 1.0 - sagged / whole > 0.02
    assert lost == pytest.approx(1.0 - sagged / whole, rel=0.1), "to first order of the drop"


def test_a_motors_torque_per_ampere_is_what_its_windings_do() -> None:
    volts = 2.0 * LEAF.ohm  # one ampere peak at full amplitude
    ampere = Machine(pole_pairs=10, flux_v_s=6.6e-3, ohm=LEAF.ohm)
    assert expected("torque_per_ampere").value == pytest.approx(ampere.largest_torque(1.0, volts), rel=1e-6)


def test_the_loop_is_as_stiff_as_a_field_a_quarter_ahead_that_grows_with_the_error() -> None:
    quarter = math.pi / 2.0 / 10
    near, far = (LEAF.torque(quarter, GAIN * error, 12.0) for error in (0.03, 0.07))
    loop = expected("closed_loop")
    assert loop.value == pytest.approx((far - near) / 0.04 * aside().mean(), rel=5e-4)
    assert expected("ratio").value == pytest.approx(loop.value / expected("open_loop").value, rel=1e-9)


def test_the_clip_is_the_largest_torque_at_the_loops_limit_turned_aside_a_little() -> None:
    clip = expected("clip_torque")
    assert clip.value == pytest.approx(LEAF.largest_torque(CLIP, 12.0) * aside().mean(), rel=5e-4)
    spread = clip.budget["alignment of leaf"].u / clip.value
    assert spread == pytest.approx(aside().std(), rel=0.35), "normal where a half-width and an arcsine are meant"


def test_friction_and_supply_are_what_the_rig_file_states() -> None:
    assert (expected("friction").value, expected("friction").unit) == (2.1e-3, "N m")
    assert (expected("supply_voltage").value, expected("supply_voltage").unit) == (12.0, "V")


INPUTS = {
    "supply.voltage_v": 0.5e-2, "driver.on_resistance_ohm": 20e-2, "motor.leaf.resistance_ohm": 2e-2,
    "motor.leaf.flux_linkage_v_s": 3e-2, "firmware.dead_time_s": 30e-2, "firmware.gain_per_rad": 0.5e-2,
    "firmware.amplitude_limit": 0.5e-2, "supply.internal_resistance_ohm": 20e-2, "motor.leaf.coulomb_friction_n_m": 0.5,
}  # fmt: skip
"""Keys of the rig file with their relative half-widths there."""
ENTERS = {
    "open_loop": {"supply.voltage_v", "driver.on_resistance_ohm", "motor.leaf.resistance_ohm",
                  "motor.leaf.flux_linkage_v_s", "firmware.dead_time_s", "supply.internal_resistance_ohm"},
    "closed_loop": {"supply.voltage_v", "driver.on_resistance_ohm", "motor.leaf.resistance_ohm",
                    "motor.leaf.flux_linkage_v_s", "firmware.gain_per_rad"},
    "clip_torque": {"supply.voltage_v", "driver.on_resistance_ohm", "motor.leaf.resistance_ohm",
                    "motor.leaf.flux_linkage_v_s", "firmware.dead_time_s", "supply.internal_resistance_ohm",
                    "firmware.amplitude_limit"},
    "torque_per_ampere": {"motor.leaf.flux_linkage_v_s"},
    "friction": {"motor.leaf.coulomb_friction_n_m"},
}  # fmt: skip


@pytest.mark.parametrize(("name", "keys"), ENTERS.items())
def test_each_input_moves_an_expectation_by_what_its_budget_says(name: str, keys: set[str]) -> None:
    whole = expected(name, WEAK)
    assert {source for source in whole.budget if source in INPUTS} == keys
    for key, half_width in INPUTS.items():
        high, low = (expected(name, changed(key, 1.0 + side * 1e-3, WEAK)).value for side in (1.0, -1.0))
        relative = (high - low) / 2e-3
        said = whole.budget[key].u * math.sqrt(3.0) / half_width if key in keys else 0.0
        assert said == pytest.approx(relative, rel=0.02, abs=1e-9 * abs(whole.value)), key


def test_what_is_not_stated_is_named_and_nothing_else_is_missing() -> None:
    bare = "\n".join(line for line in RIG.splitlines() if not line.startswith(("flux_linkage", "amplitude_limit")))
    found = expectations(bare)
    flux = ("motor.leaf.flux_linkage_v_s",)
    assert {name: each.needs for name, each in found.items() if each.needs} == {
        "open_loop": flux,
        "slip_torque": flux,
        "closed_loop": flux,
        "ratio": flux,
        "clip_torque": (*flux, "firmware.amplitude_limit"),
        "torque_per_ampere": flux,
    }
    assert all((each.quantity is None) == bool(each.needs) for each in found.values())


def test_what_a_driver_takes_is_not_expected_to_be_nothing() -> None:
    """On-resistance and dead time: a driver has both, and a rig file that is silent of them does not say 0."""
    driver, dead = "driver.on_resistance_ohm", "firmware.dead_time_s"
    bare = "\n".join(line for line in RIG.splitlines() if not line.startswith(("on_resistance", "dead_time")))
    assert {name: each.needs for name, each in expectations(bare).items() if each.needs} == {
        "open_loop": (driver, dead),
        "slip_torque": (driver, dead),
        "closed_loop": (driver,),
        "ratio": (driver, dead),
        "clip_torque": (driver, dead),
    }


def test_curves_are_those_of_the_windings_with_the_width_of_the_torque() -> None:
    spec, at = spec_of(RIG), [-0.1, 0.0, 0.03, 0.1]
    held = overlay("leaf.stiffness.open_loop", at, {}, spec, DECLARED, "leaf")
    loop = overlay("leaf.stiffness.closed_loop", at, {}, spec, DECLARED, "leaf")
    assert held is not None and loop is not None
    for x, (torque, u) in zip(at, held, strict=True):
        assert torque == pytest.approx(LEAF.torque(x, 0.6, 12.0), rel=5e-4, abs=1e-9)
        assert u == pytest.approx(abs(torque) * expected("open_loop").u / expected("open_loop").value)
    # A demand that dead time takes whole drives nothing: 4/pi of it, of supply and two diodes, over gain x half supply.
    dead = 4.0 / math.pi * 150e-9 * 20e3 * (12.0 + 2.0 * 0.7) / (GAIN * 12.0 / 2.0)
    driven = [math.copysign(max(abs(x) - dead, 0.0), x) for x in at]
    stiffness = expected("closed_loop")
    assert [torque for torque, _ in loop] == pytest.approx([stiffness.value * x for x in driven])
    assert [u for _, u in loop] == pytest.approx([stiffness.u * abs(x) for x in driven])
    assert overlay("leaf.stiffness.other", at, {}, spec, DECLARED, "leaf") is None
    bare = spec_of("\n".join(line for line in RIG.splitlines() if not line.startswith("flux_linkage")))
    assert overlay("leaf.stiffness.open_loop", at, {}, bare, DECLARED, "leaf") is None


@pytest.mark.parametrize("name", ["open_loop", "closed_loop"])
def test_on_either_branch_friction_takes_its_part_and_a_warm_winding_its_share(name: str) -> None:
    spec, at = spec_of(RIG), [-0.1, 0.0, 0.03, 0.1]

    def curve(way: float, warm: float) -> list[tuple[float, float]]:
        rows = overlay(f"leaf.stiffness.{name}", at, {"way": way, "warm": warm}, spec, DECLARED, "leaf")
        assert rows is not None
        return rows

    middle, rising, falling = curve(0.0, 1.0), curve(1.0, 1.0), curve(-1.0, 1.0)
    for (torque, u), (up, u_up), (down, u_down) in zip(middle, rising, falling, strict=True):
        assert (torque - up, down - torque) == pytest.approx((FRICTION, FRICTION))
        assert u_up == u_down > u
    warm = curve(0.0, 1.25)
    assert [torque for torque, _ in warm] == pytest.approx([0.8 * torque for torque, _ in middle])
    bare = spec_of("\n".join(line for line in RIG.splitlines() if not line.startswith("coulomb_friction")))
    assert overlay(f"leaf.stiffness.{name}", at, {"way": 1.0}, bare, DECLARED, "leaf") is None
