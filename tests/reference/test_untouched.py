"""Which reference cases nothing here computes, and why: a case is either tested or on this list."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import pytest

from tests.reference.cases import TOUCHED, Case, cases, compare

PROCESS = "risk of a whole process; a qualification decides on single boards"
MOVING = "a machine at speed; the models are for a rotor at rest or swinging about one place"
NO_SPECTRUM = "nothing here looks at spectra"
UNTOUCHED = {
    "aiag-average-range": "the hand method, by ranges: the analysis of variance takes more from the same readings",
    "s4-resistors": PROCESS,
    "false-accept-table-a": PROCESS,
    "fitzgerald-11-10": MOVING,
    "burman-4-1": MOVING,
    "burman-4-2": MOVING,
    "fitzgerald-7-1-7-2": MOVING,
    "dubey-7-1": MOVING,
    "windows-a": NO_SPECTRUM,
    "enbw-reference-page": NO_SPECTRUM,
    "nbs14": NO_SPECTRUM,
    "sine-fit-a": "steady sines are not measured; swings to rest have a method of their own",
    "time-constants-a": "identities of a two-phase brushed equivalent that no model uses",
    "terminal-resistance": "the rig file takes the phase resistance of the equivalent star, already halved",
    "six-step-table": "firmware with field angles is tested, not six-step firmware with Hall sensors",
    "common-mode-injection": "how firmware shifts the common level of its phases is its own affair",
    "sine-table-256": "the firmware's table is under test, never part of the harness",
    "eccentricity-a": "the harness cancels eccentricity by differences at one place and computes none",
    "thermal-classes": "limits of an application stand in its rig file as requirements",
    "rise-limits-resistance": "as thermal-classes",
    "shutdown-delay": "the winding is measured while it is heated, not after switching off",
    "cooling-a": "as shutdown-delay",
    "ieee-488-2-mandatory": "held against the instruments by tests/software/instruments",
    "definite-block": "held against the message parser by tests/software/instruments",
}


def test_every_case_is_tested_or_excused() -> None:
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        import_module(f"tests.reference.{path.stem}")
    assert set(TOUCHED) | set(UNTOUCHED) == set(cases())
    assert not set(TOUCHED) & set(UNTOUCHED)


def test_what_is_left_out_of_a_case_exists_in_it() -> None:
    for case_id, left_out in TOUCHED.items():
        names = {entry["name"] for entry in cases()[case_id].expect}
        assert set(left_out) <= names, case_id
        assert all(left_out.values()), f"{case_id}: a reason for each"


def test_a_wrong_value_is_seen() -> None:
    case = Case(family="x", id="x", source="x", input={}, expect=())
    compare(case, {"name": "n", "value": 1.0, "abs": 0.1}, 1.05)
    with pytest.raises(AssertionError, match=r"expected 1\.0, computed 1\.2"):
        compare(case, {"name": "n", "value": 1.0, "abs": 0.1}, 1.2)
    with pytest.raises(AssertionError):
        compare(case, {"name": "n", "value": [1.0, 2.0], "rel": 0.1}, [1.0])
    with pytest.raises(AssertionError):
        compare(case, {"name": "n", "value": "A"}, "B")
