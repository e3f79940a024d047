"""What is made of two motors that held alone and together: deflections, what friction leaves open, the supply's sag."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from harness.base.errors import MeasurementError
from harness.checks.together.analysis import analyse, curves
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import Quantity
from harness.nouns.results import Measurement, Outcome, Unmeasured
from harness.rigfile import RigSpec, loads
from tests.software.checks.windings import RIG, Machine

SPEC = loads(RIG.encode(), "rig.toml")
TURN = SPEC.motor["leaf"].sensor.counts
COLUMNS = tuple(Column(name=name, unit="1") for name in ("spell", "motor", "count", "target"))
LEAF, WHEEL, BOTH = 0, 1, 2
SHORT = {(LEAF, LEAF): 100.0, (WHEEL, WHEEL): 60.0, (BOTH, LEAF): 130.0, (BOTH, WHEEL): 50.0}
"""Counts by which a motor stands short of its target, by spell and motor."""
VOLTS = {"0": [12.0, 12.02], "1": [12.0, 11.98], "2": [11.9, 11.88]}


def held(
    short: Mapping[tuple[int, int], float] = SHORT,
    targets: Sequence[int] = (TURN // 3, TURN // 4),
    samples: int = 40,
    volts: Mapping[str, list[float]] = VOLTS,
    scatter: float = 0.0,
) -> Observation:
    """Rows of all spells, as the board sends them."""
    dice = np.random.default_rng(3)
    rows = [
        (spell, motor, round(targets[motor] - counts + dice.normal(0.0, scatter)) % TURN, targets[motor])
        for (spell, motor), counts in short.items()
        for _ in range(samples)
    ]
    data = np.array(rows, dtype=[("spell", "<u1"), ("motor", "<u1"), ("count", "<u2"), ("target", "<u2")])
    return Observation(name="together.hold", columns=COLUMNS, data=data, conditions={"volts": volts})


def measured(observation: Observation, spec: RigSpec = SPEC) -> dict[str, Quantity]:
    results = analyse([observation], spec, "together")
    return {result.name.partition(".")[2]: result.quantity for result in results if isinstance(result, Measurement)}


@pytest.mark.parametrize("targets", [(TURN // 3, TURN // 4), (20, TURN - 20), (TURN - 20, 20)])
def test_each_motors_change_is_what_it_sinks_by_when_the_other_joins(targets: tuple[int, int]) -> None:
    """Wherever on its turn a sensor begins anew."""
    found = measured(held(targets=targets))
    assert found["leaf_deflection_change"].value == pytest.approx(30.0 * math.tau / TURN)
    assert found["wheel_deflection_change"].value == pytest.approx(-10.0 * math.tau / TURN)


def test_noise_of_the_readings_is_in_it_once_for_each_spell() -> None:
    found = measured(held(scatter=8.0, samples=400))["leaf_deflection_change"]
    part = found.budget["leaf noise of the hold"]
    assert part.u == pytest.approx(8.0 * math.tau / TURN * math.sqrt(2.0 / 400.0), rel=0.1)
    assert part.dof == 399.0


def test_where_friction_leaves_the_shaft_is_open_by_half_of_the_most_that_it_can_hold() -> None:
    """Two approaches end anywhere on one side; friction against the torque of a radian of error, from phases."""
    motor, gain = SPEC.motor["leaf"], SPEC.firmware.gain_per_rad
    friction, flux = motor.coulomb_friction_n_m, motor.flux_linkage_v_s
    assert friction is not None and flux is not None and gain is not None
    machine = Machine(pole_pairs=motor.pole_pairs, flux_v_s=flux.value, ohm=motor.resistance_ohm.value)
    quarter = math.pi / 2.0 / motor.pole_pairs  # where a loop puts its field
    holds_rad = friction.high / machine.torque(quarter, gain.value, SPEC.supply.voltage_v.value)
    ends = np.random.default_rng(5).uniform(0.0, holds_rad, (2, 100_000))
    part = measured(held())["leaf_deflection_change"].budget["where friction left leaf"]
    assert part.u == pytest.approx(float(np.std(ends[0] - ends[1])), rel=0.01)


def test_where_the_rig_file_is_silent_a_degree_is_taken_for_what_friction_holds() -> None:
    silent = RIG.replace("coulomb_friction_n_m", "# coulomb_friction_n_m")
    part = measured(held(), loads(silent.encode(), "rig.toml"))["leaf_deflection_change"]
    assert part.budget["where friction left leaf"].u == pytest.approx(0.5 * 0.02 * math.sqrt(2.0 / 3.0))


def test_the_sag_is_from_the_mean_of_both_alone_to_both_together() -> None:
    sag = measured(held())["supply_sag"]
    assert sag.value == pytest.approx(0.11)
    # Deviations of 10 mV in all six readings, 3 of their degrees of freedom left; four readings against two.
    assert sag.u == pytest.approx(0.01 * math.sqrt(6.0 / 3.0) * math.sqrt(1.0 / 4.0 + 1.0 / 2.0))
    assert sag.dof == 3.0


def test_without_a_supply_to_read_the_sag_is_not_run_and_says_what_to_add() -> None:
    *_, sag = analyse([held(volts={})], SPEC, "together")
    assert isinstance(sag, Unmeasured) and sag.outcome is Outcome.NOT_RUN
    assert "class supply" in sag.reason


def test_too_few_readings_are_no_measurement() -> None:
    with pytest.raises(MeasurementError, match="too few samples of leaf in spell 0"):
        analyse([held(samples=4)], SPEC, "together")


def test_the_curve_shows_each_motor_alone_and_together() -> None:
    (curve,) = curves([held(samples=6)], SPEC, "together")
    ends = {name: series[-1] for name, series in curve.series.items()}
    assert ends == {
        name: (5.0, pytest.approx(counts * math.tau / TURN))
        for name, counts in zip(
            ("leaf alone", "wheel alone", "leaf together", "wheel together"), SHORT.values(), strict=True
        )
    }
