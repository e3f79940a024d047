"""Plants drawn by seed, rig faults, and looking at the plant without changing it."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigs_demo import faults
from rigs_demo.plant import drawing
from rigs_demo.scenario import Scenario
from tests.examples import examples
from tests.software.plant.rigs import MS, duties, place, powered, rig

SCENARIOS = drawing.scenarios()
SEEDS = st.integers(0, 10**9)


def half_width(known: drawing.Table) -> float:
    """The tolerance of a rig file's entry, infinite where it states a standard uncertainty."""
    for key, number in known.items():
        if key.startswith("tolerance"):
            return float(number) * (abs(float(known["value"])) / 100.0 if key.endswith("percent") else 1.0)
    return float("inf")


@pytest.mark.parametrize("scenario", SCENARIOS)
@examples(30)
@given(seed=SEEDS)
def test_a_drawn_plant_stays_inside_what_the_rig_file_swears_to(scenario: str, seed: int) -> None:
    values = drawing.true_values(scenario, seed)
    checked = 0
    for key, known in drawing.flat(drawing.rig_table(scenario)):
        if isinstance(known, dict) and "value" in known and key in values:
            assert abs(values[key] - known["value"]) <= half_width(known) * (1.0 + 1e-12), key
            checked += 1
    assert checked >= 30
    drawing.build(scenario, values, drawing.rig_table(scenario))


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_the_nominal_plant_stays_inside_too(scenario: str) -> None:
    values = drawing.true_values(scenario, None)
    for key, known in drawing.flat(drawing.rig_table(scenario)):
        if isinstance(known, dict) and "value" in known and key in values:
            assert abs(values[key] - known["value"]) <= half_width(known), key


def test_a_seed_gives_the_same_plant_again_and_another_seed_another() -> None:
    assert faults.plant_of("sluice", 7) == faults.plant_of("sluice", 7)
    assert faults.plant_of("sluice", 7) != faults.plant_of("sluice", 8)


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("plant_seed", [None, 7])
@examples(20)
@given(seed=SEEDS)
def test_a_board_seed_moves_what_belongs_to_the_board_and_nothing_else(
    scenario: str, plant_seed: int | None, seed: int
) -> None:
    bench = drawing.true_values(scenario, plant_seed)
    other = drawing.true_values(scenario, plant_seed, seed)
    tolerances = {f"driver.{key}": known for key, known in drawing.rig_table(scenario)["driver"].items()}
    tolerances["driver.dead_time_s"] = drawing.rig_table(scenario)["firmware"]["dead_time_s"]
    assert {key for key in bench if other[key] != bench[key]} == set(tolerances)
    for key, known in tolerances.items():
        assert abs(other[key] - known["value"]) <= half_width(known) * (1.0 + 1e-12)
    assert drawing.true_values(scenario, plant_seed, seed) == other
    assert drawing.true_values(scenario, 12345, seed)["driver.dead_time_s"] == other["driver.dead_time_s"]
    assert drawing.true_values(scenario, plant_seed, seed + 1) != other


def test_a_board_is_not_the_one_that_the_plant_seed_of_its_number_has() -> None:
    drawn = drawing.load("sluice", 3)
    assert drawing.load("sluice", None, 3).driver.on_resistance_ohm != drawn.driver.on_resistance_ohm
    assert drawing.load("sluice", 3, 3).motors == drawn.motors


def test_drawn_values_fill_their_tolerance() -> None:
    drawn = [drawing.true_values("sluice", seed)["motor.leaf.resistance_ohm"] for seed in range(60)]
    stated = drawing.rig_table("sluice")["motor"]["leaf"]["resistance_ohm"]["value"]
    assert min(drawn) < stated * 0.984
    assert max(drawn) > stated * 1.016


@pytest.mark.parametrize("name", sorted(faults.FAULTS))
def test_severity_zero_is_the_healthy_rig(name: str) -> None:
    healthy = faults.plant_of("sluice", 3)
    assert faults.plant_of("sluice", 3, (f"{name}=0",)) == healthy
    for source in Scenario.load("sluice").firmware.values():
        assert faults.firmware_copy(source, (f"{name}=0",)) == source


@pytest.mark.parametrize("name", sorted(faults.FAULTS))
def test_the_default_severity_changes_something_and_only_in_one_place(name: str) -> None:
    healthy = faults.plant_of("sluice")
    (source,) = Scenario.load("sluice").firmware.values()
    changed = faults.plant_of("sluice", None, (name,)) != healthy
    edited = faults.firmware_copy(source, (name,))
    assert changed != (edited != source)
    compile(edited, name, "exec")
    assert changed == (faults.FAULTS[name].plant is not None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no-such", "expected one of"),
        ("slack-gain=much", "expected a number, found 'much'"),
        ("slack-gain=nan", "expected 0 to 0.95, found nan"),
        ("faded-magnet=2", "expected 0 to 0.9, found 2"),
        ("broken-lead=1.5", "expected a whole number, found 1.5"),
    ],
)
def test_a_fault_that_cannot_be_given_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(faults.FaultError, match=re.escape(words)) as refused:
        faults.parse(text)
    assert "\n" not in str(refused.value)


def test_a_fault_given_twice_is_refused() -> None:
    with pytest.raises(faults.FaultError, match="given twice"):
        faults.severities(("slack-gain", "slack-gain=0.1"))


def test_firmware_that_a_fault_does_not_fit_is_refused() -> None:
    with pytest.raises(faults.FaultError, match="expected exactly one line for the loop's gain"):
        faults.firmware_copy("nothing here\n", ("slack-gain",))


def test_an_unknown_scenario_is_refused() -> None:
    with pytest.raises(drawing.PlantFileError, match=r"expected one of handwheel, sluice, found '\.\./x'"):
        faults.plant_of("../x")


@examples(15)
@given(st.lists(st.integers(1, 60 * MS), max_size=12), SEEDS)
def test_looking_at_the_plant_never_changes_what_it_does(looks: list[int], seed: int) -> None:
    def run(at: list[int]) -> tuple[float, ...]:
        plant = powered(rig())
        begun = plant.time_ns
        duties(plant, 0, (0.7, 0.4, 0.4))
        for offset in sorted(at):
            plant.advance_to(begun + offset)
            plant.integrals()
            plant.driver_temperature_c()
            plant.winding_temperatures_c(0)
            plant.shaft_rad(0, begun + offset)
        plant.advance_to(begun + 60 * MS)
        plant.set_enabled(0, False)
        plant.advance_to(begun + 60 * MS + seed)
        plant.advance_to(begun + 2_000 * MS)
        plant.set_enabled(0, True)
        motor = plant.motors[0]
        return (motor.shaft.theta_rad, motor.i_d, motor.i_q, *motor.heat.state, plant.driver_temperature_c())

    assert run(looks) == run([])


def test_settings_act_at_the_next_grid_point() -> None:
    plant = powered(rig())
    place(plant, 0, plant.motors[0].shaft.hang_rad)
    begun = plant.time_ns
    plant.advance_to(begun + 130_000)
    plant.set_duty(0, 0, 0.9)
    assert plant.motors[0].duty[0] == 0.0
    plant.advance_to(begun + 200_000)
    assert plant.motors[0].duty[0] == 0.9


def test_crossed_leads_exchange_two_windings() -> None:
    plant = powered(faults.plant_of("sluice", None, ("crossed-leads",)))
    duties(plant, 0, (0.6, 0.5, 0.4))
    assert plant.motors[0].duty == [0.6, 0.4, 0.5]


def test_faults_are_listed_one_a_line() -> None:
    rows = [line.split("\t") for line in faults.lines()]
    assert all(len(row) == 3 for row in rows)
    assert [row[0] for row in rows] == list(faults.FAULTS)
