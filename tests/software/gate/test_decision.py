"""Release, refuse, undecided: what each takes, whatever the order of things; a fault of the bench refuses nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode
from harness.compare import Difference, Finding
from harness.gate.decision import Decision, DecisionWord, Objection, decide
from harness.gate.policy import Policy, loads_policy
from harness.judge.verdict import Rule, against_requirement
from harness.nouns.quantity import Contribution, Quantity, normal
from harness.nouns.results import Gauge, Measurement, Outcome, Requirement, Verdict, VerdictKind
from harness.record import Record
from harness.record.forms import verdict_entry
from tests.software.compare.records import quantity, record
from tests.software.record.contents import content_of, edited

TODAY = date(2026, 11, 27)
DELAY, GAIN, RING = "leaf.step.delay", "leaf.stiffness.closed_loop", "leaf.step.overshoot"
NAMES = (DELAY, GAIN, RING)
WORDS = {
    DecisionWord.RELEASE: ExitCode.AGREES,
    DecisionWord.REFUSE: ExitCode.DIFFERS,
    DecisionWord.UNDECIDED: ExitCode.UNDECIDED,
}


def policy(waivers: str = "", *, repeats: int = 1) -> Policy:
    text = f"""\
schema = 1
name = "releases"
repeats = {repeats}
time_budget_s = 900.0
required = ["step.delay", "stiffness.closed_loop"]
[waivers]
by = ["M. Keeper"]
until = 2027-06-30
{waivers}"""
    return loads_policy(text.encode(), "policy.toml")


def waiver(name: str, until: str = "2026-12-31") -> str:
    return f'[[waiver]]\nquantity = "{name}"\nby = "M. Keeper"\nwhy = "known"\nuntil = {until}\n'


def run(*verdicts: tuple[str, str, str], **missing: str) -> Record:
    """A finished record; a name with __ for a dot and a reason: not run."""
    gone = {name.replace("__", "."): reason for name, reason in missing.items()}
    found = record({name: gone.get(name, quantity(1.0)) for name in NAMES})
    entries = [
        verdict_entry(Verdict(name=name, outcome=Outcome(outcome), reason=reason)) for name, outcome, reason in verdicts
    ]
    return edited(found, verdicts=entries)


def found(name: str, finding: Finding = Finding.EQUIVALENT, reason: str = "", remedy: str = "") -> Difference:
    gap = Quantity(value=0.0, unit="s", budget={"a source": Contribution(u=1.0, remedy=remedy)})
    return Difference(name=name, finding=finding, gap=gap if remedy else None, measured=1.0, reason=reason)


SAME = [found(name) for name in NAMES]


def decided(*records: Record, differences: list[Difference] = SAME, by: Policy | None = None, **more: Any) -> Decision:
    return decide(by or policy(), records, differences, on_day=TODAY, **more)


def test_nothing_against_it_and_all_shown_is_a_release():
    made = decided(run((DELAY, "agrees", ""), (RING, "not judged", "needs a baseline")))
    assert (made.word, made.code, made.shown) == (DecisionWord.RELEASE, ExitCode.AGREES, (DELAY, GAIN))
    assert made.reasons == ["all 2 required quantities are as in the baseline, and nothing speaks against it"]
    assert made.next_steps == []


@pytest.mark.parametrize("outcome", ["differs", "nonconforming"])
def test_a_verdict_against_any_quantity_refuses(outcome):
    made = decided(run((RING, outcome, "twice as much")))
    assert (made.word, made.code) == (DecisionWord.REFUSE, ExitCode.DIFFERS)
    assert made.reasons == [f"{RING}: {outcome}: twice as much"]


@pytest.mark.parametrize("outcome", ["cannot tell", "undecided"])
def test_what_the_bench_cannot_tell_holds_it_open_and_says_what_would_help(outcome):
    open_ = run((RING, outcome, "sees from 3, must see 2"))
    (entry,) = content_of(open_)["verdicts"]
    made = decided(edited(open_, verdicts=[{**entry, "remedies": ["the arm (80 %): a better arm"]}]))
    assert (made.word, made.code) == (DecisionWord.UNDECIDED, ExitCode.UNDECIDED)
    assert made.reasons == [f"{RING}: {outcome}: sees from 3, must see 2"]
    assert made.next_steps == [f"{RING}: the arm (80 %): a better arm"]
    assert decided(run((RING, outcome, "the fit failed"))).next_steps == [f"{RING}: the fit failed"]


def judged(value: float, *, high: float, grr: float) -> Record:
    """A record with one verdict of the rule itself: near a limit by its arm, held against a study of the gauge."""
    measured = normal(value, 0.02, "1", "the arm", remedy="a better arm")
    gauge = Gauge(
        name=RING, grr=grr, mean=value, study=3, made_utc="2026-11-27",
        largest="repeatability; what would help: more readings a run",
    )  # fmt: skip
    rule = Rule(planned=1, gauge={RING: gauge})
    verdict = against_requirement(Measurement(name=RING, quantity=measured), Requirement(name=RING, high=high), rule)
    return edited(run(), verdicts=[verdict_entry(verdict)])


def test_each_remedy_of_a_verdict_is_a_step_of_its_own():
    arm = f"{RING}: the arm (100% of the variance): a better arm"
    gauge = (
        f"{RING}: the gauge takes 90 % of the tolerance (study 3 of 2026-11-27, at most 30 %): largest part: "
        "repeatability; what would help: more readings a run"
    )
    assert decided(judged(0.79, high=0.8, grr=0.003)).next_steps == [arm, gauge]
    assert decided(judged(0.79, high=0.8, grr=0.0)).next_steps == [arm]
    assert decided(judged(0.5, high=0.8, grr=0.09)).next_steps == [gauge]


def test_where_a_verdict_names_no_remedy_its_reason_says_what_there_is_to_say():
    assert decided(run((RING, "undecided", "too close to a limit"))).next_steps == [f"{RING}: too close to a limit"]
    assert decided(run((RING, "undecided", ""))).next_steps == [f"{RING}: no reason given"]


def test_a_difference_from_the_baseline_refuses_whether_required_or_not():
    made = decided(run(), differences=[*SAME[:2], found(RING, Finding.DIFFERENT, "3 off, 1 allowed")])
    assert made.word is DecisionWord.REFUSE
    assert made.reasons == [f"{RING}: different: 3 off, 1 allowed"]


@pytest.mark.parametrize("finding", [Finding.NOT_SEEN, Finding.UNDECIDED])
def test_a_required_quantity_must_be_shown_to_be_the_same_and_another_need_not(finding):
    made = decided(run(), differences=[found(DELAY, finding, "too wide", remedy="more repeats"), *SAME[1:]])
    assert (made.word, made.next_steps) == (DecisionWord.UNDECIDED, [f"{DELAY}: more repeats"])
    assert made.reasons == [f"{DELAY}: required, {finding.value}: too wide"]
    assert decided(run(), differences=[*SAME[:2], found(RING, finding, "too wide")]).word is DecisionWord.RELEASE


def test_a_required_quantity_that_was_not_run_refuses_unless_the_bench_was_at_fault():
    made = decided(run(leaf__step__delay="because the board was stopped"), differences=SAME[1:])
    assert (made.word, made.reasons) == (
        DecisionWord.REFUSE,
        [f"{DELAY}: required, not measured: because the board was stopped"],
    )
    stop = {"kind": "bench", "message": "the link is lost"}
    unlucky = edited(run(leaf__step__delay="because the run was stopped"), stop=stop)
    made = decided(unlucky, differences=[], bench="the link is lost")
    assert (made.word, made.code) == (DecisionWord.UNDECIDED, ExitCode.BENCH)
    assert made.reasons[0] == "the bench could not be operated: the link is lost"
    assert not any(objection.refuses for objection in made.objections)


def test_another_quantity_that_was_not_run_holds_nothing_up():
    assert decided(run(leaf__step__overshoot="needs a supply")).word is DecisionWord.RELEASE


def test_what_the_rig_file_requires_holds_it_open_where_it_was_not_judged():
    found_ = run((RING, "not judged", "needs a baseline"), (DELAY, "not judged", "needs a model"))
    found_ = edited(found_, required=["step.overshoot"])
    made = decided(found_)
    assert (made.word, made.code) == (DecisionWord.UNDECIDED, ExitCode.UNDECIDED)
    assert made.reasons == [f"{RING}: required by the rig file, not judged: needs a baseline"]
    assert decided(found_, by=policy(waiver(RING))).word is DecisionWord.RELEASE


def test_the_bench_goes_before_what_was_seen_until_then():
    made = decided(run((RING, "differs", "twice as much")), bench="no supply")
    assert (made.word, made.code) == (DecisionWord.UNDECIDED, ExitCode.BENCH)
    assert made.reasons[1] == f"{RING}: differs: twice as much"


def test_in_which_repeats():
    bad, good = run((RING, "differs", "twice")), run()
    assert decided(good, bad).reasons == [f"{RING}: differs in repeat 2 of 2: twice"]
    assert decided(bad, bad).reasons == [f"{RING}: differs: twice"]


def test_a_waiver_takes_away_what_speaks_against_its_quantity_and_is_told():
    by = policy(waiver(RING))
    made = decided(
        run((RING, "differs", "twice")), by=by, differences=[*SAME[:2], found(RING, Finding.DIFFERENT, "off")]
    )
    assert made.word is DecisionWord.RELEASE
    assert [pair.objection.line for pair in made.waived] == [f"{RING}: differs: twice", f"{RING}: different: off"]
    assert {pair.waiver.by for pair in made.waived} == {"M. Keeper"}
    assert made.idle == ()
    assert decided(run((GAIN, "differs", "half")), by=by).word is DecisionWord.REFUSE


def test_a_waiver_that_has_ended_or_has_nothing_to_waive_is_told_too():
    by = policy(waiver(RING, "2026-11-26") + waiver(DELAY))
    made = decided(run((RING, "differs", "twice")), by=by)
    assert made.word is DecisionWord.REFUSE
    assert [(unused.quantity, why) for unused, why in made.idle] == [
        (RING, "ended on 2026-11-26"),
        (DELAY, "nothing to waive"),
    ]


def test_a_stop_is_never_waived():
    stop = ("leaf.step.limits", "nonconforming", "speed 80 rad/s, limit 60 rad/s")
    made = decided(run(stop), by=policy(waiver(DELAY) + waiver(GAIN) + waiver(RING)))
    assert made.word is DecisionWord.REFUSE
    assert made.reasons == ["leaf.step.limits: nonconforming: speed 80 rad/s, limit 60 rad/s"]


@pytest.mark.parametrize("kind", [VerdictKind.CONDUCT, VerdictKind.QUANTITY])
def test_what_the_firmware_does_against_its_contract_is_never_waived(kind):
    bad = Verdict(name="leaf.conduct.after_off", kind=kind, outcome=Outcome.NONCONFORMING, reason="energised")
    open_ = replace(bad, kind=VerdictKind.QUANTITY, outcome=Outcome.CANNOT_TELL)
    assert bad.may_be_waived is False
    assert open_.may_be_waived is True, "what was not seen is no conduct"
    made = decided(edited(run(), verdicts=[verdict_entry(bad)]), by=policy(waiver("leaf.conduct.after_off")))
    assert (made.word, made.reasons) == (DecisionWord.REFUSE, ["leaf.conduct.after_off: nonconforming: energised"])


def test_a_release_with_everything_required_waived_shows_nothing():
    by = policy(waiver(DELAY) + waiver(GAIN))
    open_ = [found(DELAY, Finding.NOT_SEEN, "wide"), found(GAIN, Finding.NOT_SEEN, "wide"), SAME[2]]
    made = decided(run(), by=by, differences=open_)
    assert (made.word, made.reasons) == (
        DecisionWord.UNDECIDED,
        ["nothing required was shown to be as in the baseline"],
    )


def test_strangers_text_is_made_visible():
    made = decided(run((RING, "differs", "a\x1b[31mb\nc")))
    assert made.reasons[0].isprintable()


def test_what_speaks_against_it_is_told_first():
    made = decided(run((RING, "cannot tell", "wide"), (GAIN, "differs", "half")))
    assert made.reasons == [f"{GAIN}: differs: half", f"{RING}: cannot tell: wide"]


def test_a_required_quantity_that_the_bench_could_not_tell_refuses_nothing():
    found_ = run((DELAY, "cannot tell", "the fit failed"), leaf__step__delay="the fit failed")
    (entry,) = content_of(found_)["unmeasured"]
    found_ = edited(found_, unmeasured=[{**entry, "outcome": "cannot tell"}])
    assert decided(found_).word is DecisionWord.UNDECIDED


def test_a_waiver_stands_to_the_end_of_its_last_day():
    assert decided(run((RING, "differs", "twice")), by=policy(waiver(RING, "2026-11-27"))).word is DecisionWord.RELEASE
    assert [why for _, why in decided(run(), by=policy(waiver(RING, "2026-11-27"))).idle] == ["nothing to waive"]


def test_fewer_runs_than_the_policy_asks_for_release_nothing():
    made = decided(run(), by=policy(repeats=2))
    assert (made.word, made.reasons) == (
        DecisionWord.UNDECIDED,
        ["1 of the 2 qualifications that the policy asks for came to their end"],
    )
    unfinished = edited(run(), finished=False)
    assert decided(run(), unfinished, by=policy(repeats=2)).word is DecisionWord.UNDECIDED
    assert decided(run(), run(), by=policy(repeats=2)).word is DecisionWord.RELEASE


def test_a_required_quantity_that_the_baseline_never_measured_was_not_shown():
    made = decided(run(), differences=SAME[1:])
    assert (made.word, made.reasons) == (DecisionWord.UNDECIDED, [f"{DELAY}: required, never measured in the baseline"])
    assert made.next_steps == [f"{DELAY}: accept a baseline that has it"]
    assert decided(run(), differences=SAME[1:], by=policy(waiver(DELAY))).word is DecisionWord.RELEASE


OUTCOMES = st.sampled_from(
    ["agrees", "conforming", "differs", "nonconforming", "cannot tell", "undecided", "not judged"]
)
VERDICTS = st.lists(st.tuples(st.sampled_from([*NAMES, "leaf.step.limits"]), OUTCOMES, st.just("why")), max_size=4)
RUNS = st.lists(VERDICTS.map(lambda entries: run(*entries)), max_size=3)
FINDINGS = st.fixed_dictionaries({name: st.sampled_from(Finding) for name in NAMES}).map(
    lambda chosen: [found(name, finding, "why") for name, finding in chosen.items()]
)
WAIVED = st.lists(st.sampled_from(NAMES), unique=True).map(lambda names: policy("".join(map(waiver, names))))
EXTRA = st.sampled_from([(), (Objection(refuses=True, words="x"),), (Objection(refuses=False, words="y"),)])
RANK = (DecisionWord.RELEASE, DecisionWord.UNDECIDED, DecisionWord.REFUSE)


@given(runs=RUNS, differences=FINDINGS, by=WAIVED, extra=EXTRA)
def test_words_follow_from_what_stands_against_it(runs, differences, by, extra):
    made = decided(*runs, differences=differences, by=by, stopped=extra)
    assert made.code is WORDS[made.word]
    assert (made.word is DecisionWord.REFUSE) == any(objection.refuses for objection in made.objections)
    assert (made.word is DecisionWord.RELEASE) == (not made.objections)
    assert made.word is not DecisionWord.RELEASE or set(made.shown) & {DELAY, GAIN}
    assert all(pair.objection.quantity != "leaf.step.limits" for pair in made.waived)
    bench = decided(*runs, differences=differences, by=by, stopped=extra, bench="gone")
    assert (bench.word, bench.code) == (DecisionWord.UNDECIDED, ExitCode.BENCH)


@given(runs=RUNS.filter(bool), differences=FINDINGS, by=WAIVED, more=VERDICTS, extra=EXTRA)
def test_more_against_it_never_makes_it_better_and_a_waiver_never_worse(runs, differences, by, more, extra):
    made = decided(*runs, differences=differences, by=by)
    worse = decided(*runs, run(*more), differences=differences, by=by, stopped=extra)
    assert RANK.index(worse.word) >= RANK.index(made.word)
    unwaived = decided(*runs, differences=differences)
    shown_less = made.reasons == ["nothing required was shown to be as in the baseline"]
    assert RANK.index(unwaived.word) >= RANK.index(made.word) or shown_less
