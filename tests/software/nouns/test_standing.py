"""Good, bad, open: what several words come to together, and the exit code and the marks that go with it."""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode
from harness.compare import Difference, Finding
from harness.gate import DecisionWord
from harness.nouns.results import Fitness, Outcome
from harness.nouns.standing import Standing, of_exit_code, overall, standing_of, worst
from harness.report.marks import CLAIMS, MARKS

GOOD, BAD, OPEN, UNJUDGED, ABSENT = Standing


@pytest.mark.parametrize(
    ("standings", "together"),
    [
        ([GOOD], GOOD),
        ([GOOD, UNJUDGED, ABSENT], GOOD),
        ([GOOD, OPEN], OPEN),
        ([GOOD, OPEN, BAD], BAD),
        ([BAD, ABSENT], BAD),
        ([UNJUDGED, ABSENT], OPEN),
        ([], OPEN),
    ],
)
def test_bad_goes_before_open_and_open_before_good_and_nothing_told_is_open(standings, together) -> None:
    for order in permutations(standings):
        assert overall(order) is together


@given(st.lists(st.sampled_from(Standing)))
def test_what_all_come_to_has_an_exit_code_and_a_claim(standings: list[Standing]) -> None:
    together = overall(standings)
    assert together.asked
    assert together.exit_code is (
        ExitCode.DIFFERS if BAD in standings else ExitCode.AGREES if together is GOOD else ExitCode.UNDECIDED
    )
    assert CLAIMS[together] == {GOOD: "accepted", BAD: "refused", OPEN: "open"}[together]
    assert of_exit_code(together.exit_code) is together


def test_the_worst_of_none_is_absent_and_a_number_goes_before_none() -> None:
    assert worst([]) is ABSENT
    assert worst([ABSENT, UNJUDGED]) is UNJUDGED
    assert worst([UNJUDGED, GOOD, OPEN, BAD]) is BAD


@pytest.mark.parametrize("code", [3, 4, 5, None])
def test_a_run_that_decided_nothing_stands_for_nothing(code: int | None) -> None:
    assert of_exit_code(code) is ABSENT


@pytest.mark.parametrize(
    ("words", "standings"),
    [
        (Outcome, [GOOD, BAD, OPEN, GOOD, BAD, OPEN, UNJUDGED, ABSENT]),
        (Finding, [GOOD, BAD, UNJUDGED, OPEN]),
        (Fitness, [GOOD, OPEN, OPEN, UNJUDGED]),
        (DecisionWord, [GOOD, BAD, OPEN]),
    ],
)
def test_every_word_has_its_standing(words, standings) -> None:
    assert [word.standing for word in words] == standings
    assert [standing_of(words, str(word)) for word in words] == standings
    assert standing_of(words, "another word") is OPEN


def test_no_difference_seen_is_not_enough_where_a_margin_asks_for_more() -> None:
    assert Difference(name="x", finding=Finding.NOT_SEEN).standing is UNJUDGED
    assert Difference(name="x", finding=Finding.NOT_SEEN, margin=1.0).standing is OPEN
    assert Difference(name="x", finding=Finding.DIFFERENT, margin=1.0).standing is BAD


def test_marks_tell_apart_without_colour_what_was_told() -> None:
    told = [MARKS[standing] for standing in Standing if standing.asked]
    for part in ("shape", "letters", "colour", "style", "point", "plotted"):
        assert len({getattr(mark, part) for mark in told}) == len(told)
    assert len({mark.shape for mark in MARKS.values()}) == len(Standing)
