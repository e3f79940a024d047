"""Rig files at the edge of what may stand in them: an answer or one clear line, never a defect."""

from __future__ import annotations

import re
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import HarnessError, MissingCapability, RigFileError
from harness.checks.catalogue import CHECKS
from harness.checks.registry import check_named
from harness.judge.verdict import Rule, judge_all
from harness.nouns.quantity import normal
from harness.nouns.results import Expectation, Measurement
from harness.rigfile import RigSpec, loads
from tests.examples import examples
from tests.software.run.fakes import ROOT, declared

RIGS = {
    name: (ROOT / "rigs_demo" / "rigs" / f"{name}.toml").read_text(encoding="utf-8") for name in ("sluice", "handwheel")
}
ENTRY = re.compile(r"(?m)^(?P<key>\w+) = \{ value = (?P<value>[-\d.e]+), tolerance(_percent)? = [-\d.e]+ \}")
WIDTHS = ("tolerance = 0", "tolerance = 1e-12", "tolerance_percent = 99.9", "tolerance_percent = 100", "standard = 0")
SLOW = ("step",)
"""Checks whose models draw many staircases: with them the test would take minutes."""


def entry(rig: str, number: int, value: str, width: str) -> str:
    """A rig file with one of its entries that have a tolerance put differently."""
    found = list(ENTRY.finditer(RIGS[rig]))
    place = found[number % len(found)]
    made = f"{place['key']} = {{ value = {value or place['value']}, {width} }}"
    return RIGS[rig][: place.start()] + made + RIGS[rig][place.end() :]


@cache
def bounds(rig: str, number: int) -> list[str]:
    """Ends of what an entry may be, as the line says that refuses what lies beyond."""
    ends = []
    for beyond in ("1e300", "-1e300", "0"):
        try:
            loads(entry(rig, number, beyond, "tolerance = 0").encode(), "rig.toml")
        except RigFileError as error:
            ends += re.findall(r"(?:from|above|up to|below) (-?\d[\d.e+-]*)", str(error).split(", found")[0])
    return [*ends, ""]


def judged(spec: RigSpec, names: tuple[str, ...], u_share: float) -> int:
    """How many quantities had an expectation, all of them judged against what is a hundredth off."""
    rule = Rule(planned=85, detect=spec.detect, requirements=spec.required)
    count = 0
    for row in CHECKS:
        for motor in spec.motors if row.per_motor else ("together",):
            if row.name not in names:
                continue
            check = check_named(row.name)
            try:
                check.stimulus(spec, declared(), motor)
            except MissingCapability as reason:  # planning says it, and does not run the check
                assert "\n" not in str(reason)
            expectations = [each for each in check.model(spec, declared(), motor) if each.quantity is not None]
            count += len(judge_all([near(each, u_share) for each in expectations], expectations, rule))
    return count


def near(expectation: Expectation, u_share: float) -> Measurement:
    assert expectation.quantity is not None
    value, unit = expectation.quantity.value, expectation.quantity.unit
    return Measurement(name=expectation.name, quantity=normal(1.01 * value, u_share * abs(value), unit, "bench", dof=4))


@examples(40)
@given(
    st.sampled_from(sorted(RIGS)), st.integers(0, 60), st.sampled_from(WIDTHS), st.data(), st.sampled_from([0.0, 0.01])
)
def test_an_entry_at_its_edge_is_judged_or_refused_in_a_line(
    rig: str, number: int, width: str, data: st.DataObject, u_share: float
) -> None:
    value = data.draw(st.sampled_from(bounds(rig, number)))
    try:
        spec = loads(entry(rig, number, value, width).encode(), "rig.toml")
    except HarnessError as refused:
        assert isinstance(refused, RigFileError)
        for line in str(refused).splitlines():
            assert line.startswith("rig.toml: "), line
        return
    assert judged(spec, tuple(row.name for row in CHECKS if row.name not in SLOW), u_share) > 20


@pytest.mark.parametrize("number", range(len(list(ENTRY.finditer(RIGS["sluice"])))))
def test_what_is_known_to_100_percent_is_judged_or_refused(number: int) -> None:
    try:
        spec = loads(entry("sluice", number, "", "tolerance_percent = 100").encode(), "rig.toml")
    except RigFileError:
        return
    assert judged(spec, tuple(row.name for row in CHECKS if row.name not in SLOW), 0.01) > 20


@examples(2)
@given(st.sampled_from(("gain_per_rad", "length_m", "rotor_inertia_kg_m2", "coulomb_friction_n_m")))
def test_a_step_of_what_is_hardly_known_is_expected_or_says_what_it_needs(key: str) -> None:
    """Values drawn within a tolerance of 100 % are a loop without gain, a shaft without inertia."""
    number = next(k for k, found in enumerate(ENTRY.finditer(RIGS["sluice"])) if found["key"] == key)
    spec = loads(entry("sluice", number, "", "tolerance_percent = 100").encode(), "rig.toml")
    for expectation in check_named("step").model(spec, declared(), "leaf"):
        assert expectation.quantity is not None or expectation.needs, expectation.name


def test_all_tolerances_of_0_are_judged() -> None:
    text = re.sub(r"tolerance(_percent)? = [-\d.e]+", "tolerance = 0", RIGS["sluice"])
    spec = loads(text.encode(), "rig.toml")
    assert judged(spec, tuple(row.name for row in CHECKS), 0.0) > 60
