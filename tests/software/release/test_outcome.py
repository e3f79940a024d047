"""The decision for people and servers: Markdown that a file's words cannot break, JUnit that reads back."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import ExitCode
from harness.compare import BaselineLevel, Difference, Finding
from harness.gate.decision import Decision, DecisionWord
from harness.nouns.quantity import Quantity
from harness.release.junit import junit
from harness.release.summary import LIVE, MOST_REASONS, Subject, markdown, plain
from tests.hostile import outside_code
from tests.software.gate.test_decision import DELAY, GAIN, NAMES, RING, SAME, decided, found, policy, run, waiver

SUBJECT = Subject(
    rig="sluice",
    simulated=True,
    firmware="firmware drive 1.5.0 (0123456789ab)",
    baseline="baseline spring, revision 1",
    runs={"run 1, run 7 of the store": "runs/a"},
    repeats=(1, 1),
)


def summary_of(decision: Decision, differences=SAME, by=None, subject=SUBJECT) -> str:
    return markdown(decision, by or policy(), subject, differences)


def cases(decision: Decision, differences=SAME, subject=SUBJECT) -> dict[str, ElementTree.Element]:
    root = ElementTree.fromstring(junit(decision, subject, differences, NAMES))
    return {f"{case.get('classname')}.{case.get('name')}": case for case in root.iter("testcase")}


def counted(decision: Decision) -> dict[str, str | None]:
    suite = ElementTree.fromstring(junit(decision, SUBJECT, SAME, NAMES)).find("testsuite")
    assert suite is not None
    return {name: suite.get(name) for name in ("tests", "failures", "errors", "skipped")}


def test_a_release_in_markdown():
    text = summary_of(decided(run()))
    assert text.startswith("## Release gate: released\n")
    assert "SIMULATED BENCH: simulated motors, not hardware" in text
    assert "- all 2 required quantities are as in the baseline, and nothing speaks against it" in text
    assert "Waived" not in text
    assert "next" not in text


def test_a_refusal_in_markdown_names_the_reason_first_and_what_is_waived():
    by = policy(waiver(RING))
    made = decided(run((RING, "differs", "twice"), (GAIN, "differs", "half | of it")), by=by)
    text = summary_of(made, by=by)
    assert text.startswith("## Release gate: refused\n")
    assert (
        text.index("half \\| of it") < text.index("### Waived (who waived is self-declared)") < text.index("M. Keeper")
    )
    assert "leaf.step.overshoot: differs: twice; waived by M. Keeper until 2026-12-31: known" in text


def test_many_reasons_are_cut_and_counted():
    assert MOST_REASONS == 20
    made = decided(run(*((f"leaf.step.q{n}", "differs", "off") for n in range(23))))
    assert "- and 3 more, in decision.json" in summary_of(made)
    assert summary_of(made).count(": differs: off") == 20


def test_the_table_has_what_is_required_and_what_is_different_and_counts_the_rest():
    def on_level(name: str, finding: Finding) -> Difference:
        level = BaselineLevel(name=name, lasting=Quantity(value=1.0, unit="s"), mountings=6, records=6)
        return replace(found(name, finding, "off", remedy="more"), level=level, unit="s", margin=1.0)

    differences = [on_level(DELAY, Finding.EQUIVALENT), on_level(GAIN, Finding.EQUIVALENT)]
    text = summary_of(decided(run()), [*differences, on_level(RING, Finding.DIFFERENT)])
    assert all(f"| {plain(name)} |" in text for name in NAMES)
    assert "Not required" not in text
    text = summary_of(decided(run()), [*differences, on_level(RING, Finding.NOT_SEEN)])
    assert f"| {plain(RING)} |" not in text
    assert "Not required: 1 no difference seen." in text


@given(st.text(max_size=60))
def test_no_words_of_a_file_reach_markdown_as_markdown(words):
    shown = plain(words)
    assert shown.isprintable()
    bare = outside_code(shown).replace("\\\\", " ")
    assert not LIVE.search(bare)
    assert all(bare[:place].endswith("\\") for place, mark in enumerate(bare) if mark in "`*_{}[]()<>#+!|~")


def test_junit_of_a_refusal():
    made = decided(run((GAIN, "differs", "half"), (RING, "cannot tell", "wide")))
    found_ = cases(made)
    failure = found_[f"sluice.{GAIN}"].find("failure")
    assert failure is not None
    assert (failure.get("type"), failure.get("message")) == ("refuse", f"{GAIN}: differs: half")
    other = found_[f"sluice.{RING}"].find("failure")
    assert other is not None
    assert other.get("type") == "undecided"
    assert list(found_[f"sluice.{DELAY}"].iter("failure")) == []
    whole = found_["sluice.gate.decision"].find("failure")
    assert whole is not None
    assert whole.get("type") == "refuse"
    assert counted(made) == {"tests": "4", "failures": "3", "errors": "0", "skipped": "0"}


def test_junit_of_a_release_is_all_passed_and_says_simulated():
    assert counted(decided(run())) == {"tests": "4", "failures": "0", "errors": "0", "skipped": "0"}
    data = junit(decided(run()), SUBJECT, SAME, NAMES)
    properties = [(p.get("name"), p.get("value")) for p in ElementTree.fromstring(data).iter("property")]
    assert ("decision", "release") in properties
    assert properties.count(("bench", "SIMULATED")) == 5


def test_junit_of_a_waiver_is_skipped_and_says_who():
    by = policy(waiver(RING))
    found_ = cases(decided(run((RING, "differs", "twice")), by=by))
    skipped = found_[f"sluice.{RING}"].find("skipped")
    assert skipped is not None
    assert str(skipped.get("message")).startswith("waived by M. Keeper (self-declared) until 2026-12-31: known;")


def test_junit_of_a_bench_that_failed_is_an_error_and_no_failure():
    made = decided(run(), bench="the link is lost", differences=[])
    assert made.code is ExitCode.BENCH
    assert counted(made)["errors"] == "1"
    assert counted(made)["failures"] == "0"


def test_what_has_no_number_is_skipped():
    gone = found(RING, Finding.UNDECIDED, "not measured: needs a supply")
    gone = type(gone)(name=RING, finding=Finding.UNDECIDED, reason="not measured: needs a supply")
    found_ = cases(decided(run(), differences=[*SAME[:2], gone]), differences=[*SAME[:2], gone])
    skipped = found_[f"sluice.{RING}"].find("skipped")
    assert skipped is not None
    assert skipped.get("message") == "not measured: needs a supply"


@given(reason=st.text(max_size=40), firmware=st.text(max_size=20))
def test_any_words_make_xml_that_reads(reason, firmware):
    subject = replace(SUBJECT, firmware=firmware)
    made = decided(run((RING, "differs", reason)))
    assert made.word is DecisionWord.REFUSE
    assert cases(made, subject=subject)[f"sluice.{RING}"].find("failure") is not None
    assert summary_of(made, subject=subject)
