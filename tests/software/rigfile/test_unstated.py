"""What stands in a formula where the rig file is silent: as wide as it is unknown, under the key that would tell."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from harness.nouns.quantity import Quantity
from harness.rigfile import RigSpec, loads, unstated
from tests.software.checks.windings import RIG


def rig(*silent: str, without: str = "none") -> RigSpec:
    """The rig without these keys, and without a section."""
    text = re.sub(rf"^\[{re.escape(without)}\][^\[]*", "", RIG, flags=re.MULTILINE)
    for key in silent:
        text = re.sub(rf"^{key} = .*\n", "", text, flags=re.MULTILINE)
    return loads(text.encode(), "rig.toml")


@dataclass(frozen=True, slots=True)
class Silence:
    """What is taken for a key that is left out, from least to most, and what the rig file says: value and width."""

    key: str
    asked: Callable[[RigSpec], Quantity]
    usual: tuple[float, float]
    stated: tuple[float, float]


SILENCES = (
    Silence("driver.on_resistance_ohm", lambda s: unstated.on_resistance(s, "leaf"), (0.0, 0.92), (0.25, 0.05)),
    Silence("firmware.dead_time_s", lambda s: unstated.dead_time(s, None), (0.0, 1e-6), (150e-9, 45e-9)),
    Silence("firmware.loop_period_s", lambda s: unstated.loop_period(s, 2e-3), (1.98e-3, 2.02e-3), (1e-3, 1e-5)),
    Silence(
        "motor.leaf.thermal.flux_per_k", lambda s: unstated.flux_per_k(s, "leaf"), (-2e-3, -0.3e-3), (-1.1e-3, 0.22e-3)
    ),
    Silence(
        "motor.leaf.viscous_friction_n_m_s",
        lambda s: unstated.viscous_friction(s, "leaf", 4e-4),
        (0.0, 2e-4),
        (1.3e-4, 0.65e-4),
    ),
    Silence(
        "motor.leaf.load.own_inertia_kg_m2",
        lambda s: unstated.own_inertia(s, "leaf"),
        (0.0, 0.205 * 0.03**2 / 3.0),
        (1e-5, 2e-6),
    ),
)


@pytest.mark.parametrize("silence", SILENCES, ids=lambda silence: silence.key)
def test_it_may_be_anything_usual_and_says_what_to_state(silence: Silence) -> None:
    found = silence.asked(rig(silence.key.rpartition(".")[2]))
    half = found.u * 3.0**0.5
    assert (found.value - half, found.value + half) == pytest.approx(silence.usual, abs=1e-12)
    ((_, part),) = found.budget.items()
    assert (part.shape, part.remedy) == ("rectangular", f"state {silence.key}")


@pytest.mark.parametrize("silence", SILENCES, ids=lambda silence: silence.key)
def test_where_it_is_stated_it_is_that_under_its_key(silence: Silence) -> None:
    found = silence.asked(rig())
    assert (found.value, found.u * 3.0**0.5) == pytest.approx(silence.stated)
    assert [*found.budget] == [silence.key]


def test_a_conductor_may_be_any_of_the_standards_and_one_that_is_stated_is_exact() -> None:
    found = unstated.reciprocal_coefficient(rig("conductor"), "leaf")
    assert (found.value, found.u * 3.0**0.5) == pytest.approx((235.0, 10.0))
    assert unstated.reciprocal_coefficient(rig(), "leaf").exact


def test_what_the_firmware_declares_of_its_dead_time_is_known_to_a_third() -> None:
    found = unstated.dead_time(rig("dead_time_s"), 200e-9)
    assert (found.value, found.u * 3.0**0.5) == pytest.approx((200e-9, 60e-9))
    assert unstated.dead_time(rig(), 200e-9).value == 150e-9, "the rig file goes before it"


def test_an_arm_that_is_not_there_has_no_inertia() -> None:
    found = unstated.own_inertia(rig(without="motor.leaf.load"), "leaf")
    assert (found.value, found.exact) == (0.0, True)


def test_a_supply_that_regulates_has_no_resistance_and_a_battery_any_up_to_half_an_ohm() -> None:
    assert unstated.source_resistance(rig()) == unstated.source_resistance(rig("internal_resistance_ohm"))
    assert unstated.source_resistance(rig()).exact
    battery = rig("internal_resistance_ohm", without="instrument.supply")
    assert unstated.source_resistance(battery).u * 3.0**0.5 == pytest.approx(0.25)
    assert unstated.source_resistance(battery).value == 0.25


def test_a_sensor_and_an_offset_that_nobody_has_looked_at() -> None:
    silent = rig("eccentricity_rad", "electrical_offset_rad")
    assert unstated.eccentricity_rad(silent, "leaf") == 0.02
    assert unstated.eccentricity_rad(rig(), "leaf") == 7e-3
    assert unstated.electrical_offset_u(silent, "leaf") * 3.0**0.5 == pytest.approx(math.pi / 6.0)
    assert unstated.electrical_offset_u(rig(), "leaf") * 3.0**0.5 == pytest.approx(0.08)
