"""The page: what it must say, what it must never carry, and that anybody can read it."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import RecordError
from harness.judge.verdict import UNASKED
from harness.nouns.results import Outcome, Verdict
from harness.report import page as pages
from harness.report.page import claim, counted, write_report
from tests.software.record.contents import record_of
from tests.software.report.sample import number, record, verdict


def render(content: Mapping[str, Any]) -> str:
    """The page of the record that a record.json makes."""
    return pages.render(record_of(content))


HOSTILE = "</title><script>alert(1)</script>[red]\"'&\x1b[2J\u202e{{7*7}}"


class Outline(HTMLParser):
    """Collects tags, attributes and text, and checks that tags nest."""

    VOID = frozenset({"meta", "br", "line", "rect", "path"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def outline(page: str) -> Outline:
    parsed = Outline()
    parsed.feed(page)
    assert parsed.open == []
    return parsed


def test_what_the_rig_file_asks_nothing_of_stands_in_one_line_in_plain_words() -> None:
    content = record()
    for name in ("leaf.step.decay", "leaf.step.stability_margin"):
        content["verdicts"].append(verdict(name, "not judged", "1", None, None, reason=UNASKED))
    text = " ".join(outline(render(content)).words)
    words = "measured, not judged: [detect] of the rig file says nothing of step.decay, step.stability_margin"
    assert text.count(words) == 1
    assert "not judged: needs detect" in text  # another reason is told as it was


def test_the_verdict_comes_first_and_counts_every_word() -> None:
    page = render(record())
    text = " ".join(outline(page.partition("<body>")[2].partition("</body>")[0]).words)
    assert text.index("The board is refused") < text.index("1 agrees, 1 conforming, 1 differs") < text.index("delay")
    assert "more delay in the loop" in text
    assert "SIMULATED BENCH" in text
    assert "no multimeter on this rig" in text
    assert "This rig has no oscilloscope; it would add the dead time." in text


def test_a_run_without_a_decision_says_what_is_open_and_one_with_a_decision_does_not() -> None:
    good = [entry for entry in record()["verdicts"] if entry["outcome"] != "differs"]
    asked = ["leaf.thermal.never"]
    words = "open: leaf.thermal.never: required, in no check of this run"
    assert words in render(record(verdicts=good, exit_code=2, required=asked))
    assert words not in render(record(exit_code=1, required=asked))


@pytest.mark.parametrize(
    ("changes", "headline"),
    [
        ({"exit_code": 0}, "The board agrees with its model"),
        ({"exit_code": 2}, "No decision"),  # something required was not run
        ({"exit_code": 3, "finished": False, "stop": {"kind": "bench", "message": "Ctrl-C"}}, "No decision"),
        ({"exit_code": None, "finished": False}, "No decision"),  # the host was killed
    ],
)
def test_only_a_whole_run_that_ended_with_0_claims_agreement(changes: dict[str, Any], headline: str) -> None:
    good = [entry for entry in record()["verdicts"] if entry["outcome"] != "differs"]
    assert f"<h1>{headline}</h1>" in render(record(verdicts=good, **changes))
    assert "<h1>The board is refused</h1>" in render(record(**changes))


def test_what_differs_stands_before_what_cannot_be_told_and_its_origin_is_open() -> None:
    verdicts = record()["verdicts"]
    verdicts[0] = {**verdicts[0], "outcome": "cannot tell", "reason": "too wide"}
    page = render(record(verdicts=verdicts))
    attention = page[page.index('id="attention"') : page.index('id="run"')]
    assert attention.index("step · delay") < attention.index("stiffness · open loop")
    assert page.count("<details open>") == 2


def test_a_check_of_which_nothing_was_run_is_one_sentence() -> None:
    reason = "because the board was stopped in leaf step: speed"
    names = [f"wheel.thermal.{name}" for name in ("resistance", "rise")]
    rows = [{**record()["verdicts"][-1], "name": name, "reason": reason} for name in names]
    page = render(record(verdicts=[*record()["verdicts"], *rows]))
    section = page[page.index('id="wheel-thermal"') :].partition("</section>")[0]
    assert f"Not run: {reason}." in section
    assert "<table" not in section


def test_a_run_that_was_killed_lists_what_it_never_came_to() -> None:
    known = [entry["name"] for entry in record()["verdicts"]]
    never = ["wheel.step.delay", "wheel.step.overshoot"]
    cut = {"finished": False, "stop": None, "exit_code": None, "ended_utc": None, "planned": [*known, *never]}
    page = render(record(**cut))
    section = page[page.index('id="wheel-step"') :].partition("</section>")[0]
    assert "Not run: because the run was cut off before it had come to it." in section
    assert "2 not run" in section
    left_out = page[page.index('id="left-out"') :]
    assert "(wheel.step.delay, wheel.step.overshoot)" in left_out
    assert "wheel-step" not in render(record(planned=[*known, *never]))


@pytest.mark.parametrize(("running", "at_work"), [("wheel step", "wheel-step"), ("together", "together")])
def test_what_was_being_measured_when_a_run_was_killed_says_so(running: str, at_work: str) -> None:
    never = ["wheel.step.delay", "leaf.stiffness.closed_loop", "together.supply_sag"]
    cut = {"finished": False, "stop": None, "exit_code": None, "ended_utc": None, "planned": never, "verdicts": []}
    page = render(record(**cut, running=running))
    for anchor in ("wheel-step", "leaf-stiffness", "together"):
        section = page[page.index(f'id="{anchor}"') :].partition("</section>")[0]
        when = "while it was measured" if anchor == at_work else "before it had come to it"
        assert f"Not run: because the run was cut off {when}." in section


def test_where_a_number_comes_from_stands_once_for_model_and_requirement() -> None:
    name = "leaf.step.overshoot"
    limits = {"low": None, "high": 0.9}
    model = verdict(name, "agrees", "1", 0.5, 0.7, reason="by the model")
    required = verdict(name, "undecided", "1", None, 0.9, reason="by the limit", requirement=limits)
    page = render(record(verdicts=[model, required]))
    assert page.count("overshoot: where the number comes from") == 1
    assert page.count('class="budget"') == 1
    origin = page[page.index("<details") :].partition("</details>")[0]
    assert origin.startswith("<details open>")  # the requirement asks for attention
    assert origin.index("<p>by the model</p>") < origin.index("<p>by the limit</p>")


def test_parts_of_one_fit_are_one_source_and_small_ones_one_row() -> None:
    parts = [("fit#1", 3.0), ("fit#2", 4.0), ("arm", 12.0), ("gravity", 0.1), ("idle", 0.1)]
    budget = [
        {"source": source, "u": u * 1e-3, "shape": "normal", "dof": None, "remedy": "weigh it"} for source, u in parts
    ]
    first, *others = record()["measurements"]
    page = render(record(measurements=[{**first, "budget": budget}, *others]))
    table = page[page.index('class="budget"') :].partition("</table>")[0]
    rows = re.findall(r'<th scope="row">(.*?)</th><td>(.*?)</td><td>(.*?)</td>', table)
    assert [(source, share) for source, _, share in rows] == [
        ("arm", "85 %"),
        ("fit", "15 %"),
        ("2 smaller ones together", "0.01 %"),
    ]
    assert rows[1][1] == "5 mN m/rad"


def test_a_stop_that_the_board_provoked_stands_in_the_head() -> None:
    stop = {**record()["verdicts"][-1], "name": "leaf.step.limits", "outcome": "nonconforming", "reason": "too fast"}
    head = render(record(verdicts=[*record()["verdicts"], stop])).partition("</header>")[0]
    assert "STOPPED in leaf step: too fast." in head
    assert "STOPPED" not in render(record())


def test_every_quantity_is_told_in_words() -> None:
    page = render(record())
    assert 'delay<br><span class="words">delay from set point to motion</span>' in page
    assert "leaf · holding stiffness" in page


def test_an_unfinished_page_says_what_was_running_and_what_the_guard_did(tmp_path: Path) -> None:
    killed = record(finished=False, stop=None, verdicts=[], measurements=[], curves=[], running="leaf commutation")
    (tmp_path / "record.json").write_text(json.dumps(killed))
    page = write_report(tmp_path).read_text(encoding="utf-8")
    running = "UNFINISHED. The check that was running: leaf commutation. Nothing had been judged yet."
    assert (
        f"{running} Nobody has confirmed that the phases and the supply are off: SWITCH THE POWER OFF BY HAND" in page
    )
    assert "stands below" not in page
    (tmp_path / "guard.log").write_text(
        "2026-01-02T03:04:05.000+00:00 guard 7: not yet: silent\n"
        "2026-01-02T03:04:06.000+00:00 guard 7: supply output off, 9 ms after the host's end\n"
    )
    page = write_report(tmp_path).read_text(encoding="utf-8")
    assert "Nothing had been judged yet. guard.log says of the supply: supply output off, 9 ms after the host" in page
    assert "Nobody has confirmed that the phases are off: SWITCH THE POWER OFF BY HAND" in page
    some = render(record(finished=False, running="leaf step", switched_off="phases off; supply output off"))
    running = "The check that was running: leaf step. What had been measured until then stands below."
    assert f"{running} At the end: phases off; supply output off.</p>" in some


def test_a_simulated_record_and_an_unfinished_one_say_so_and_others_do_not() -> None:
    stopped = render(record(finished=False, stop={"kind": "interrupted", "message": "Ctrl-C in leaf.step"}))
    assert "UNFINISHED: Ctrl-C in leaf.step" in stopped
    real = render(record(simulated=False))
    assert "SIMULATED BENCH" not in real
    assert "UNFINISHED" not in real


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["agrees"], "accepted"),
        (["agrees", "not run"], "accepted"),
        (["agrees", "cannot tell"], "open"),
        (["agrees", "undecided", "nonconforming"], "refused"),
        (["not run"], "open"),
        ([], "open"),
    ],
)
def test_the_headline_claims_no_more_than_the_verdicts(words: list[str], expected: str) -> None:
    verdicts = [verdict("leaf.step.delay", word, "s", None, None) for word in words]
    whole = record(verdicts=verdicts, exit_code=0)
    assert claim(record_of(whole)) == expected
    for cut in ({"exit_code": 3}, {"finished": False}):
        assert claim(record_of({**whole, **cut})) == ("open" if expected == "accepted" else expected)


def test_a_set_of_causes_says_what_would_part_them_and_an_unknown_one_says_so() -> None:
    several = {"known": True, "words": "one of these: flux low, or supply low", "parted_by": ["read the supply"]}
    page = render(record(diagnosis=several))
    assert "one of these: flux low, or supply low" in page
    assert "To tell them apart: read the supply." in page
    assert "cause not known" in render(record(causes=[], diagnosis={"words": "cause not known: delay differs"}))
    assert "What the pattern points to" not in render(record(causes=[], diagnosis={"words": ""}))


def test_one_cause_says_what_would_settle_it() -> None:
    (cause,) = record()["causes"]
    settled = {**cause, "confirmed_by": "trace the firmware"}
    assert "<p>To confirm it: trace the firmware.</p>" in render(record(causes=[settled]))
    assert "To confirm it" not in render(record(causes=[settled, {**settled, "name": "other"}]))
    assert "To confirm it" not in render(record(causes=[]))


def test_counting_uses_the_plural_where_there_are_several() -> None:
    verdicts = [Verdict(name="a.b.c", outcome=outcome) for outcome in (Outcome.AGREES, Outcome.AGREES, Outcome.DIFFERS)]
    assert counted(verdicts) == "2 agree, 1 differs"
    assert counted([]) == "nothing was judged"


def _poisoned(value: Any, key: str = "") -> Any:
    """Every text of a record that comes from outside, replaced by the hostile one."""
    if isinstance(value, dict):
        return {name: _poisoned(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [_poisoned(inner, key) for inner in value]
    ours = {"outcome", "unit", "x_unit", "y_unit", "name", "shape"}
    return HOSTILE if isinstance(value, str) and key not in ours else value


def test_strangers_text_is_shown_and_never_obeyed() -> None:
    sample = _poisoned(record())
    sample["instruments"] = {HOSTILE: sample["instruments"]["supply"]}
    page = render(sample)
    parsed = outline(page)
    assert not [tag for tag, _ in parsed.tags if tag in {"script", "img", "iframe", "link", "object"}]
    assert not [attributes for _, attributes in parsed.tags if any(name.startswith("on") for name in attributes)]
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert "\\x1b[2J" in page
    assert "{{7*7}}" in page


def test_the_page_forbids_scripts_and_fetches_nothing() -> None:
    page = render(record())
    assert "default-src 'none'" in page
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!#)""", page)
    assert "url(" not in page


def test_plots_have_words_for_those_who_do_not_see_them() -> None:
    parsed = outline(render(record()))
    drawings = [attributes for tag, attributes in parsed.tags if tag == "svg"]
    assert len(drawings) >= 4
    for attributes in drawings:
        assert attributes["role"] == "img"
        assert attributes["aria-labelledby"]
    identities = [attributes["id"] for _, attributes in parsed.tags if attributes.get("id")]
    assert len(identities) == len(set(identities))


def test_headings_descend_one_level_at_a_time() -> None:
    levels = [int(tag[1]) for tag, _ in outline(render(record())).tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.1, definition in its glossary; from memory)."""
    if len(colour) == 4:
        colour = "#" + "".join(2 * letter for letter in colour[1:])
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_every_ink_stands_off_its_paper() -> None:
    """Contrast of at least 4.5 to 1 for text, in light, dark and print (WCAG 2.1, 1.4.3; from memory)."""
    style = (Path(__file__).parents[3] / "harness/report/page.css").read_text(encoding="utf-8")
    themes = [
        dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6})", block)) for block in re.findall(r":root \{(.*?)\}", style, re.S)
    ]
    assert len(themes) == 3
    for theme in themes:
        for ink in ("ink", "soft", "good", "bad", "ask", "blue"):
            for paper in ("paper", "panel"):
                light, dark = sorted((_luminance(theme[ink]), _luminance(theme[paper])), reverse=True)
                assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, paper, theme)


def test_writing_beside_the_record_and_a_clear_error_without_one(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"no record here; expected a folder that holds record\.json"):
        write_report(tmp_path)
    (tmp_path / "record.json").write_text(json.dumps(record()), encoding="utf-8")
    assert write_report(tmp_path).read_text(encoding="utf-8").startswith("<!doctype html>")
    (tmp_path / "record.json").write_text("{", encoding="utf-8")
    with pytest.raises(RecordError, match=r"record\.json: damaged: not valid JSON"):
        write_report(tmp_path)


@given(st.text())
def test_no_text_breaks_the_page(words: str) -> None:
    sample = record()
    sample["diagnosis"] = {"known": False, "words": words, "parted_by": [words]}
    sample["curves"][0]["title"] = words
    outline(render(sample))


def test_a_code_stands_with_what_it_says() -> None:
    name = "leaf.conduct.following"
    found = {**number(name, 3.0, "1", 0.0), "budget": []}
    awaited = {**found, "value": 0.0, "interval": None, "needs": "", "model": "", "inputs": {}}
    row = verdict(name, "differs", "1", 0.0, 0.0, reason="")
    page = render(record(measurements=[found], expectations=[awaited], verdicts=[row]))
    section = page[page.index('id="leaf-conduct"') :]
    cells = re.findall(r'data-is="(measured|expected)">(.*?)</td>', section)
    assert [(what, " ".join(outline(cell).words)) for what, cell in cells] == [
        ("measured", "3 one way only"),
        ("expected", "0 as told"),
    ]
