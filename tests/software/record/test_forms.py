"""Fields of a verdict's entry, and what stands in for them in records that are older than they are."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from harness.judge.verdict import UNASKED, Rule, against_expectation
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Detect, Expectation, Measurement, Outcome, Verdict, VerdictKind
from harness.record.forms import expectation_entry, verdict_entry
from harness.record.results import expectation_from, verdict_from

NAME = "leaf.step.delay"


def judged(detect: float | None) -> Verdict:
    """Measured 1 +- 0.1 against 1, with what must be seen."""
    rule = Rule(planned=1, detect={} if detect is None else {NAME: Detect(absolute=detect)})
    expectation = Expectation(name=NAME, quantity=exact(1.0, "s"))
    measured = normal(1.0, 0.1, "s", "the clock", remedy="a better clock")
    return against_expectation(Measurement(name=NAME, quantity=measured), expectation, rule)


def read(entry: Mapping[str, object]) -> Verdict:
    return verdict_from(entry, {}, {})


def older(entry: Mapping[str, object]) -> Mapping[str, object]:
    return {key: value for key, value in entry.items() if key not in ("kind", "unasked", "remedies")}


def test_a_quantity_of_which_nothing_is_asked_says_so_in_a_field() -> None:
    entry = verdict_entry(judged(None))
    assert (entry["outcome"], entry["reason"]) == ("not judged", UNASKED)
    assert read(entry).unasked
    assert read(older(entry)).unasked
    assert read({**entry, "reason": "said otherwise"}).unasked
    assert not read(verdict_entry(judged(1.0))).unasked
    assert not read({**older(entry), "reason": "needs a model"}).unasked


def test_what_would_help_is_a_field() -> None:
    entry = verdict_entry(judged(0.1))
    assert entry["outcome"] == "cannot tell"
    assert read(entry).remedies == ("the clock (100% of the variance): a better clock",)
    assert read(older(entry)).remedies == ()
    assert read(verdict_entry(judged(1.0))).remedies == ()


@pytest.mark.parametrize("kind", VerdictKind)
def test_a_stop_is_one_by_its_kind_and_in_older_records_by_its_name(kind: VerdictKind) -> None:
    name = "leaf.step.limits" if kind is VerdictKind.STOP else NAME
    entry = verdict_entry(Verdict(name=name, kind=kind, outcome=Outcome.NONCONFORMING, reason="too fast"))
    assert read(entry).kind is kind
    if kind is not VerdictKind.CONDUCT:  # there was none in records older than the field
        assert read(older(entry)).kind is kind
    assert read({**entry, "name": "leaf.step.anything"}).kind is kind


def test_what_an_expectation_lacks_is_a_list_and_in_older_records_a_text() -> None:
    silent = Expectation(name=NAME, needs=("motor.leaf.pole_pairs", "supply.voltage_v"))
    entry = expectation_entry(silent)
    assert entry["needs"] == "needs motor.leaf.pole_pairs, supply.voltage_v"
    assert expectation_from(entry) == silent
    before = {key: value for key, value in entry.items() if key != "lacking"}
    assert expectation_entry(expectation_from(before))["needs"] == entry["needs"]
    whole = expectation_entry(Expectation(name=NAME, quantity=exact(1.0, "s")))
    assert (whole["needs"], whole["lacking"]) == ("", [])
    assert expectation_from({key: value for key, value in whole.items() if key != "lacking"}).needs == ()
