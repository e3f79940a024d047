"""To which thing a contribution belongs, and so whether two records share it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import RecordError
from harness.compare.ownership import exchanged, owners_of
from harness.record import Record
from tests.software.compare.records import INSTRUMENTS, SLUICE, STIFFNESS, quantity, record
from tests.software.record.contents import content_of, record_of, without

VALUES = {STIFFNESS: quantity(0.65)}
SOURCES = {
    "instrument.supply.voltage_gain": "supply",
    "instrument.supply linearity": "supply",
    "motor.leaf.load.mass_kg": "arm",
    "motor.leaf.sensor.eccentricity_rad (slope)": "sensor",
    "motor.leaf.flux_linkage_v_s": "motor",
    "local gravity": "place",
    "driver.on_resistance_ohm": "board",
    "firmware.gain_per_rad": "firmware",
    "firmware.dead_time_s": "dead time",
    "room.temperature_c": "run",
    "supply.voltage_v": "run",
    "housing of leaf": "procedure",
    "leaf.commutation fit offset": "procedure",
}
SUPPLY_CHANGED = {**INSTRUMENTS, "supply": "Maker,DC supply,SN999,1.0"}


def of(run: Record, source: str) -> str:
    return owners_of(run).of(source)


def shared(run: Record, other: Record) -> set[str]:
    """Kinds of things that two records share; all sources of a kind must agree on it."""
    kinds = {kind: {of(run, s) == of(other, s) for s, k in SOURCES.items() if k == kind} for kind in SOURCES.values()}
    assert all(len(answers) == 1 for answers in kinds.values())
    return {kind for kind, answers in kinds.items() if answers == {True}}


EVERYTHING = set(SOURCES.values()) - {"run"}


def test_two_runs_of_one_bench_share_all_but_what_is_of_the_run() -> None:
    assert shared(record(VALUES, 1), record(VALUES, 2)) == EVERYTHING


@pytest.mark.parametrize(
    ("changed", "lost"),
    [
        ({"instruments": SUPPLY_CHANGED}, {"supply"}),
        ({"board": "ffff"}, {"board", "dead time"}),
        ({"firmware": "f2"}, {"firmware", "dead time"}),
        ({"scripts": "s2"}, {"procedure"}),
        ({"text": SLUICE.replace("value = 0.205, tolerance_percent = 0.3", "value = 0.206, tolerance_percent = 0.3")},
         {"arm"}),
        ({"text": SLUICE.replace("eccentricity_rad = 7.0e-3", "eccentricity_rad = 8.0e-3")}, {"sensor"}),
        ({"text": SLUICE.replace("value = 6.6e-3, tolerance_percent = 3", "value = 6.7e-3, tolerance_percent = 3")},
         {"motor"}),
        ({"rig": "lock"}, {"arm", "sensor", "motor", "place"}),
        ({"simulated": True, "plant_seed": 3}, EVERYTHING - {"procedure"}),
    ],
)  # fmt: skip
def test_what_is_exchanged_is_not_shared(changed: dict[str, object], lost: set[str]) -> None:
    assert "text" not in changed or changed["text"] != SLUICE
    assert shared(record(VALUES, 1), record(VALUES, 2, **changed)) == EVERYTHING - lost  # type: ignore[arg-type]


def test_plants_that_were_drawn_apart_share_no_thing() -> None:
    run, other = (record(VALUES, n, simulated=True, plant_seed=n) for n in (1, 2))
    assert shared(run, other) == {"procedure"}


def test_an_instrument_is_its_serial_number_under_whatever_name() -> None:
    renamed = {"psu": INSTRUMENTS["supply"]}
    assert of(record(VALUES, 1), "instrument.supply.voltage_gain") == of(
        record(VALUES, 2, instruments=renamed), "instrument.psu.voltage_gain"
    )
    updated = {"supply": INSTRUMENTS["supply"].replace("1.0", "2.0")}
    assert of(record(VALUES, 1), "instrument.supply.voltage_gain") == of(
        record(VALUES, 2, instruments=updated), "instrument.supply.voltage_gain"
    )


@pytest.mark.parametrize("idn", ["Maker,DC supply,0,1.0", "Maker,DC supply,,1.0", "Maker", ""])
def test_an_instrument_without_a_serial_number_is_never_the_same(idn: str) -> None:
    run, other = (record(VALUES, n, instruments={"supply": idn}) for n in (1, 2))
    assert of(run, "instrument.supply.voltage_gain") != of(other, "instrument.supply.voltage_gain")


@given(st.lists(st.sampled_from(sorted(SOURCES)), unique=True, min_size=2))
def test_names_between_runs_stay_apart(sources: list[str]) -> None:
    owners = owners_of(record(VALUES))
    assert len({owners.of(source) for source in sources}) == len(sources)


def test_what_was_exchanged_is_told_in_words() -> None:
    run = record(VALUES, 1)
    assert exchanged(run, record(VALUES, 2)) == []
    other = record(VALUES, 2, instruments=SUPPLY_CHANGED, board="ffff", firmware="f2", scripts="s2")
    assert exchanged(run, other) == ["board", "firmware", "measuring procedure", "instrument supply"]


def test_a_fingerprint_is_of_what_the_record_says() -> None:
    run = record(VALUES, 1)
    assert run.fingerprint == record_of(content_of(run), run.folder / "moved").fingerprint
    assert run.fingerprint != record(VALUES, 2).fingerprint


@pytest.mark.parametrize("lacking", ["rig", "board", "hashes", "instruments", "rotorgate"])
def test_a_record_that_does_not_say_is_refused(lacking: str) -> None:
    run = record(VALUES)
    with pytest.raises(RecordError, match=f"run1.*: damaged.*: expected .*{lacking}"):
        owners_of(without(run, lacking))
