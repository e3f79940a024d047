"""Thermal quantities from a heating curve made by small steps of the network, with instruments that err."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from harness.base.errors import MeasurementError
from harness.checks.catalogue import row_of
from harness.checks.thermal import analysis as thermal
from harness.checks.thermal import procedure
from harness.checks.thermal.model import heating_modes
from harness.checks.thermal.stimulus import CURRENT_A
from harness.corrections.dead_time import phase_current
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Outcome
from harness.rigfile import load

PLANNED = tuple(measurand.name for measurand in row_of("thermal").quantities)

SPEC = load(Path(__file__).resolve().parents[4] / "rigs_demo" / "rigs" / "sluice.toml")
DEAD_SHARE = 150e-9 * 20e3
TIMES = [*np.arange(1.3, 80.0, 2.5).tolist(), *np.geomspace(80.0, 1530.0, 50).tolist()]
"""Of looks at a motor that was waited for until it was cold, as harnesses before took them."""


def winding_c(current_a: float, room_c: float, ohm_20: float = 5.7) -> np.ndarray:
    """Temperature of phases B and C at TIMES: R_wh 2.5, R_ha 8.7 K/W, C 11.2 and 47 J/K."""
    r, c = 7.5, 11.2 / 3.0

    def change(_: float, t: np.ndarray) -> list[float]:
        a, b, housing = t - room_c
        power = current_a**2 * ohm_20 * (235.0 + t[1]) / 255.0
        into_housing = (a + 2.0 * b - 3.0 * housing) / r
        return [(housing - a) / r / c, (power - (b - housing) / r) / c, (into_housing - housing / 8.7) / 47.0]

    found = solve_ivp(change, (0.0, TIMES[-1]), [room_c] * 3, t_eval=TIMES, rtol=1e-9, atol=1e-9, method="LSODA")
    return np.asarray(found.y[1])


def observations(
    *, current_a: float = CURRENT_A, room_c: float = 22.0, gain: float = 1.0, noise_a: float = 5e-5, driver: bool = True
) -> list[Observation]:
    """What the bench would have read; `gain` is the supply's current gain, and it sets the current by it."""
    rng = np.random.default_rng(3)
    real = current_a / gain
    ohm = 5.7 * (235.0 + winding_c(real, room_c)) / 255.0
    difference = 2.0 * (ohm + 0.25) * real / 12.0 + 2.0 * DEAD_SHARE
    supply = (real * (difference - 2.0 * DEAD_SHARE) + 0.045) * gain + rng.normal(0.0, noise_a, ohm.size)
    fixed = {
        "dead_time_s": 150e-9,
        "carrier_hz": 20e3,
        "current_a": CURRENT_A,
        "idle_a": (0.045 * gain + rng.normal(0.0, noise_a, 4)).tolist(),
    }
    columns = tuple(Column(name=name, unit=unit) for name, unit in procedure.COLUMNS)
    dtype = [(name, "<f8") for name, _ in procedure.COLUMNS]
    rows = list(zip(TIMES, 2.0 * ohm * real, supply, difference, strict=True))
    warm = {
        "room_c": [room_c, room_c],
        "driver_cold_c": [22.0] * 8 if driver else [],
        "driver_hot_c": [26.0] * 8 if driver else [],
    }
    return [
        Observation(
            name="leaf.thermal.cold",
            columns=columns,
            data=np.array(rows[:4], dtype),
            conditions={**fixed, "drift": 2e-4},
        ),
        Observation(
            name="leaf.thermal.heating", columns=columns, data=np.array(rows, dtype), conditions={**fixed, **warm}
        ),
    ]


def measured(**what: float) -> dict[str, Quantity]:
    results = thermal.analyse(observations(**what), SPEC, "leaf")  # type: ignore[arg-type]
    return {r.name.rpartition(".")[2]: r.quantity for r in results if isinstance(r, Measurement)}


def final_rise(room_c: float) -> float:
    plain = CURRENT_A**2 * 5.7 * (235.0 + room_c) / 255.0 * (2.0 * 8.7 + 7.5)
    return plain / (1.0 - plain / (235.0 + room_c))


def test_every_planned_quantity_comes_out_where_it_was_put() -> None:
    found = measured()
    assert tuple(found) == PLANNED
    assert abs(found["resistance"].value - 5.7) < 3.0 * found["resistance"].u
    assert abs(found["rise"].value - final_rise(20.0)) < 3.0 * found["rise"].u
    assert found["rise"].u < 0.7  # nearly all of it: how cooling grows with the rise
    true = heating_modes(5.7, 2.5, 8.7, 11.2, 47.0)
    assert found["fast_time"].value == pytest.approx(true.fast_time_s, abs=3.0 * found["fast_time"].u)
    assert found["fast_rise"].value == pytest.approx(true.fast_rise_k, abs=3.0 * found["fast_rise"].u)
    assert found["slow_time"].value == pytest.approx(true.times_s[0], abs=3.0 * found["slow_time"].u)
    assert max(found[name].u / found[name].value for name in ("fast_time", "fast_rise", "slow_time")) < 0.07
    assert found["driver_rise"].value == pytest.approx(4.0, abs=5e-3)


@pytest.mark.parametrize("room_c", [2.0, 38.0])
def test_the_room_does_not_show_in_what_is_referred_to_20_degrees(room_c: float) -> None:
    found = measured(room_c=room_c)
    assert found["rise"].value == pytest.approx(final_rise(20.0), abs=3.0 * found["rise"].u)
    assert found["resistance"].value == pytest.approx(5.7, abs=3.0 * found["resistance"].u)
    assert abs(final_rise(room_c) - final_rise(20.0)) > 4.0 * found["rise"].u  # else this could not fail


def test_a_current_set_a_little_wrong_is_referred_to_the_nominal_one() -> None:
    """But for how cooling grows between the two, of which the rise's own budget has as much."""
    nominal = measured()["rise"]
    assert abs(final_rise(20.0) * 0.04) > 3.0 * nominal.u  # what is not referred would be this far off
    assert measured(current_a=0.98 * CURRENT_A)["rise"].value == pytest.approx(nominal.value, abs=0.5 * nominal.u)


def test_a_gain_within_its_accuracy_moves_the_rise_by_what_the_budget_says() -> None:
    gain = SPEC.instrument["supply"].current_accuracy
    assert gain is not None
    right, wrong = (measured(gain=factor, noise_a=0.0)["rise"] for factor in (1.0, 1.0 + gain.percent / 100.0))
    part = abs(right.budget["instrument.supply.current_gain"].u)
    # To first order: at another current cooling that grows is another one, too.
    assert abs(wrong.value - right.value) == pytest.approx(part * 3.0**0.5, rel=0.15)


def test_hot_and_cold_share_their_instruments() -> None:
    # The meter's gain alone would be 0.05 K of 255 K + rise if it did not cancel in the ratio.
    assert abs(measured()["rise"].budget["instrument.meter_leaf.voltage_gain"].u) < 2e-3


def test_a_multimeter_that_sees_the_current_reversed_is_said_to() -> None:
    made = observations()
    turned = []
    for o in made:
        data = o.data.copy()
        data["volts"] = -data["volts"]
        turned.append(dataclasses.replace(o, data=data))
    right, wrong = (thermal.analyse(these, SPEC, "leaf")[0] for these in (made, turned))
    assert isinstance(right, Measurement)
    assert isinstance(wrong, Measurement)
    assert wrong.quantity == right.quantity
    assert (right.note, wrong.note) == ("", thermal.REVERSED)


def test_volts_that_change_their_sign_are_no_resistance() -> None:
    made = observations()
    made[1].data["volts"][3] *= -1.0
    with pytest.raises(MeasurementError, match="change their sign under a steady current"):
        thermal.analyse(made, SPEC, "leaf")


def test_firmware_without_a_driver_temperature_leaves_that_one_out_with_words() -> None:
    results = thermal.analyse(observations(driver=False), SPEC, "leaf")
    left = [r for r in results if not isinstance(r, Measurement)]
    assert [(r.name, r.outcome) for r in left] == [("leaf.thermal.driver_rise", Outcome.NOT_RUN)]
    assert "driver_temperature" in left[0].reason


def test_an_observation_that_is_not_there_is_named() -> None:
    with pytest.raises(MeasurementError, match=r"thermal\.heating: no such observation; there are leaf\.thermal\.cold"):
        thermal.analyse(observations()[:1], SPEC, "leaf")


def test_phase_current_takes_off_idle_and_dead_time() -> None:
    assert phase_current(0.345, 0.045, 0.606, 0.003) == pytest.approx(0.5)


def test_the_curve_begins_at_the_cold_winding() -> None:
    (curve,) = thermal.curves(observations(), SPEC, "leaf")
    first = curve.series["measured"][0]
    assert first[1] == pytest.approx(0.46 * first[0], abs=0.3)
