"""A run that is undecided says which quantity is open and what would close it, each reason once, the required first."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode
from harness.judge.tally import exit_code, gaps
from harness.nouns.results import Expectation, Outcome, Verdict
from harness.report.gaps import gap_line

OFFSET, SENSE, SPREAD, DELAY = (
    "leaf.commutation.offset", "leaf.commutation.direction", "leaf.commutation.step_spread", "leaf.step.delay",
)  # fmt: skip


def unjudged(name: str, *needs: str) -> Verdict:
    expected = Expectation(name=name, needs=needs)
    return Verdict(name=name, outcome=Outcome.NOT_JUDGED, expected=expected, reason=f"needs {', '.join(needs)}")


def lines(verdicts: list[Verdict], required: list[str]) -> list[str]:
    return [gap_line(gap) for gap in gaps(verdicts, required)]


def test_what_was_not_judged_names_what_the_rig_file_lacks_once_for_all_that_lack_it() -> None:
    key = "motor.leaf.electrical_offset_rad"
    found = lines([unjudged(OFFSET, key), unjudged(SENSE, key)], ["commutation"])
    assert found == [
        f"open: {OFFSET}, {SENSE}: required, not judged: needs {key}; what would close it: that in the rig file"
    ]


def test_what_no_rig_file_states_is_not_asked_of_one() -> None:
    [line] = lines([unjudged(SPREAD, "how evenly the magnets sit, which no rig file states")], [SPREAD])
    assert line.endswith("; no rig file closes that: name in required of [rig] only quantities that it can judge")


def test_what_was_not_run_or_not_told_and_what_nobody_measured_is_named_the_required_first() -> None:
    wide = Verdict(name=DELAY, outcome=Outcome.CANNOT_TELL, reason="sees from 2 s", remedies=("more steps",))
    gone = Verdict(name=OFFSET, outcome=Outcome.NOT_RUN, reason="needs a supply")
    assert lines([wide, gone], ["commutation.offset", "thermal.rise"]) == [
        f"open: {OFFSET}: required, not run: needs a supply; measure again when that is mended",
        "open: thermal.rise: required, in no check of this run: run its check, or take it out of required in [rig]",
        f"open: {DELAY}: cannot tell: sees from 2 s; what would close it: more steps",
    ]


def test_many_of_one_reason_are_counted() -> None:
    names = [f"leaf.step.q{number}" for number in range(9)]
    [line] = lines([Verdict(name=name, outcome=Outcome.CANNOT_TELL, reason="noise") for name in names], [])
    assert line.startswith(f"open: {', '.join(names[:6])} and 3 more: cannot tell: noise; ")


@given(
    st.lists(st.tuples(st.sampled_from((OFFSET, SENSE, DELAY)), st.sampled_from(Outcome)), max_size=4),
    st.sets(st.sampled_from(("commutation", "commutation.offset", "leaf.step.delay", "thermal"))),
)
def test_whoever_is_left_undecided_is_told_of_a_gap_or_that_nothing_was_judged(
    given_: list[tuple[str, Outcome]], required: set[str]
) -> None:
    verdicts = [Verdict(name=name, outcome=outcome, reason="why") for name, outcome in given_]
    nothing = not any(outcome.standing.asked for _, outcome in given_)
    if exit_code(verdicts, required) is ExitCode.UNDECIDED:
        assert gaps(verdicts, required) or nothing
    elif exit_code(verdicts, required) is ExitCode.AGREES:
        assert not gaps(verdicts, required)
