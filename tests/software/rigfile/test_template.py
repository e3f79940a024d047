"""The rig file that `inspect --new` writes: filled in, it lets the first power-up judge."""

from __future__ import annotations

import re

from harness.checks.commutation import model as alignment
from harness.judge.verdict import Rule, judge_all
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Expectation, Measurement, Outcome
from harness.rigfile import load
from harness.rigfile.load import loads
from harness.rigfile.template import template
from tests.software.run.fakes import ROOT, declared

TEMPLATE = template()
DEMO = (ROOT / "rigs_demo" / "rigs" / "sluice.toml").read_text(encoding="utf-8")


def as_expected(expectation: Expectation) -> Measurement:
    """A healthy board on a good bench: what was expected, measured narrowly."""
    assert expectation.quantity is not None, f"{expectation.name}: {expectation.needs}"
    value, unit = expectation.quantity.value, expectation.quantity.unit
    whole = expectation.quantity.u == 0.0 and "pole_pairs" not in expectation.name
    quantity = exact(value, unit) if whole else normal(value, 1e-3 * abs(value) + 1e-6, unit, "bench")
    return Measurement(name=expectation.name, quantity=quantity)


def test_filled_with_the_numbers_of_the_demo_it_judges_every_commutation_quantity() -> None:
    filled = DEMO.partition("\n[detect]")[0] + "\n[detect]" + TEMPLATE.partition("\n[detect]")[2]
    spec = loads(filled.encode(), "filled.toml")
    stated = alignment.expect(spec, declared(), "leaf")
    # How evenly the magnets sit no rig file states: of no rig is it judged.
    expectations = [entry for entry in stated if not entry.name.endswith(".step_spread")]
    rule = Rule(planned=80, detect=spec.detect)
    verdicts = judge_all([as_expected(entry) for entry in expectations], expectations, rule)
    assert {entry.name: entry.outcome for entry in verdicts} == dict.fromkeys(
        (entry.name for entry in expectations), Outcome.AGREES
    )
    assert len(verdicts) >= 10


def test_it_asks_of_a_motor_what_the_demo_asks() -> None:
    asked = load(ROOT / "rigs_demo" / "rigs" / "sluice.toml").detect
    mine = loads(TEMPLATE.encode(), "template.toml").detect
    assert mine == {key: entry for key, entry in asked.items() if not key.startswith("together.")}


def test_it_says_what_must_be_filled_in_for_the_first_power_up() -> None:
    for key in ("electrical_offset_rad", "direction"):
        assert re.search(rf"^# {key} = .*# FILL IN: ", TEMPLATE, re.MULTILINE), key
    uncommented = re.sub(r"^# (electrical_offset_rad|direction) =", r"\1 =", TEMPLATE, flags=re.MULTILINE)
    first = loads(uncommented.encode(), "template.toml").motor["first"]
    assert first.direction == 1
    assert first.electrical_offset_rad is not None
