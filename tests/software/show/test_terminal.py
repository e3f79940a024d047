"""What a person sees: whole on a terminal and off it, narrow, without colour, with hostile text in it."""

from __future__ import annotations

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.verdict import UNASKED
from harness.nouns.activity import Activity
from harness.nouns.quantity import exact, normal
from harness.nouns.results import Expectation, Outcome, Requirement, Verdict
from harness.show.table import gathered
from harness.show.terminal import Terminal, moving_line, still_to_come

HOSTILE = "[red]x[/] \x1b[2J [/dev/ttyACM0] [requirements]"


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def verdict(name: str, outcome: Outcome, reason: str = "", **more: object) -> Verdict:
    return Verdict(name=name, outcome=outcome, reason=reason, **more)  # type: ignore[arg-type]


def table(*verdicts: Verdict) -> str:
    out = io.StringIO()
    Terminal(out=out, err=io.StringIO()).table(verdicts)
    return out.getvalue()


def test_outside_text_passes_whole_and_harmless():
    shown = table(verdict("leaf.step.delay", Outcome.NOT_RUN, HOSTILE))
    flat = " ".join(shown.split())
    assert "[red]x[/] \\x1b[2J [/dev/ttyACM0] [requirements]" in flat
    assert "\x1b" not in shown


def test_numbers_words_and_marks():
    shown = table(
        verdict(
            "leaf.step.delay",
            Outcome.AGREES,
            unit="s",
            measured=normal(1.5e-3, 1e-5, "s", "x"),
            expected=Expectation(name="x", quantity=exact(1.4e-3, "s")),
        ),
        verdict(
            "leaf.step.overshoot",
            Outcome.NONCONFORMING,
            "too far",
            measured=normal(0.97, 0.01, "1", "x"),
            requirement=Requirement(name="x", low=0.1, high=0.9),
        ),
        verdict(
            "leaf.step.error",
            Outcome.AGREES,
            measured=normal(0.0, 0.01, "rad", "x"),
            expected=Expectation(name="x", quantity=exact(0.0, "rad"), interval=(-0.1, 0.1)),
        ),
        verdict("leaf.step.odd", Outcome.CANNOT_TELL, measured=exact(3.0, "1")),
    )
    lines = [line.split() for line in shown.splitlines()[1:]]
    assert lines[0] == ["ok", "leaf.step.delay", "1.500", "0.020", "1.400", "ms", "agrees"]
    assert lines[1] == ["XX", "leaf.step.overshoot", "0.970", "0.020", ">=", "0.1", "<=", "0.9", "nonconforming"]
    assert lines[2] == ["ok", "leaf.step.error", "0", "20", "-100", "to", "100", "mrad", "agrees"]
    assert lines[3] == ["??", "leaf.step.odd", "3", "cannot", "tell"]
    assert lines[4:] == [[], ["XX", "leaf.step.overshoot:", "nonconforming:", "too", "far"]]


def test_each_reason_is_given_once_and_what_is_wrong_first():
    shown = table(
        verdict("leaf.step.decay", Outcome.NOT_JUDGED, "needs a limit"),
        verdict("wheel.step.decay", Outcome.NOT_JUDGED, "needs a limit"),
        verdict("wheel.step.delay", Outcome.DIFFERS, "2 ms off"),
    )
    assert shown.split("\n\n")[1].splitlines() == [
        "XX  wheel.step.delay: differs: 2 ms off",
        "--  leaf.step.decay, wheel.step.decay: not judged: needs a limit",
    ]


def test_what_the_rig_file_asks_nothing_of_is_one_line_in_plain_words():
    shown = table(
        verdict("leaf.step.decay", Outcome.NOT_JUDGED, UNASKED, unasked=True),
        verdict("leaf.step.stability_margin", Outcome.NOT_JUDGED, UNASKED, unasked=True),
        verdict("leaf.step.step_spread", Outcome.NOT_JUDGED, "needs a model"),
        verdict("wheel.step.decay", Outcome.NOT_JUDGED, UNASKED, unasked=True),
        verdict("wheel.step.stability_margin", Outcome.AGREES),
    )
    assert shown.splitlines()[1].split() == ["--", "leaf.step.decay", "not", "judged"]
    assert shown.split("\n\n")[1].splitlines() == [
        "--  measured, not judged: [detect] of the rig file says nothing of step.decay, leaf.step.stability_margin",
        "--  leaf.step.step_spread: not judged: needs a model",
    ]


def test_a_requirement_met_is_no_reason_to_name_the_motor():
    shown = table(
        *(verdict(f"{motor}.step.overshoot", Outcome.NOT_JUDGED, UNASKED, unasked=True) for motor in ("leaf", "wheel")),
        *(verdict(f"{motor}.step.overshoot", Outcome.CONFORMING) for motor in ("leaf", "wheel")),
    )
    assert "[detect] of the rig file says nothing of step.overshoot\n" in shown.replace(" \n", "\n")


def test_a_clock_s_many_digits_are_cut():
    period = normal(1.00000002e-3, 5e-11, "s", "x")
    shown = table(verdict("leaf.step.loop_period", Outcome.AGREES, unit="s", measured=period))
    assert shown.splitlines()[1].split() == ["ok", "leaf.step.loop_period", "1.00000", "9.8e-08", "ms", "agrees"]


@pytest.mark.parametrize("columns", [20, 40, 79, 80, 100, 200])
def test_every_width_shows_all_of_it(monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm")
    out = Tty()
    rows = [
        verdict(
            "leaf.step.steady_state_error",
            Outcome.DIFFERS,
            "a reason of several words, and [brackets]",
            measured=normal(-6.2e-3, 5e-4, "rad", "x"),
            expected=Expectation(name="x", quantity=exact(0.0, "rad"), interval=(-7.93e-3, 2.48e-3)),
        )
    ]
    Terminal(out=out, err=io.StringIO()).table(rows)
    plain = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert max(len(line) for line in plain.splitlines()) <= columns
    joined = "".join(plain.split())
    for part in ("leaf.step.steady_state_error", "-6.20", "0.98", "-7.93", "2.48", "mrad", "differs", "[brackets]"):
        assert part in joined, (part, plain)


def test_neighbours_that_were_not_run_for_one_reason_are_one_row():
    rows = [verdict(f"leaf.step.q{k}", Outcome.NOT_RUN, "because") for k in range(3)]
    rows += [
        verdict("leaf.thermal.rise", Outcome.NOT_RUN, "because"),
        verdict("leaf.thermal.x", Outcome.NOT_RUN, "other"),
    ]
    assert [count for _, count in gathered(rows)] == [3, 1, 1]
    assert "leaf.step (3 quantities)" in table(*rows)


def activity(words: str, fraction: float, count: str = "") -> Activity:
    return Activity(words=words, fraction=fraction, count=count)


def test_off_a_terminal_one_line_a_step_without_repeats():
    err = io.StringIO()
    terminal = Terminal(out=io.StringIO(), err=err)
    for fraction in (0.0, 0.1, 0.2):
        terminal.step(activity("leaf: step", fraction), 30.0)
    terminal.step(activity("leaf: thermal\x1b[31m", 0.5), None)
    assert err.getvalue() == "  0%  leaf: step, about 30 s still\n 50%  leaf: thermal\\x1b[31m\n"


def test_on_a_terminal_one_line_that_moves_and_is_cleared(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    err, out = Tty(), io.StringIO()
    terminal = Terminal(out=out, err=err)
    terminal.step(activity("a long step with many words", 0.5), 61.0)
    terminal.step(activity("short", 0.75), None)
    terminal.result("done")
    assert "\n" not in err.getvalue()
    assert "[##########..........]  50%  a long step with many words, about 60 s still" in err.getvalue()
    last = err.getvalue().rsplit("\r", 2)
    assert last[-1] == ""
    assert set(last[-2]) == {" "}
    assert out.getvalue() == "done\n"


def test_a_dumb_terminal_gets_lines(monkeypatch):
    monkeypatch.setenv("TERM", "dumb")
    err = Tty()
    Terminal(out=io.StringIO(), err=err).step(activity("x", 0.1), None)
    assert err.getvalue() == " 10%  x\n"


def test_quiet_says_nothing_but_the_result():
    err, out = io.StringIO(), io.StringIO()
    terminal = Terminal(quiet=True, out=out, err=err)
    terminal.step(activity("x", 0.1), None)
    terminal.say("y")
    terminal.result("z\x07")
    assert err.getvalue() == ""
    assert out.getvalue() == "z\\x07\n"


def test_the_table_survives_a_narrow_encoding_and_no_colour(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="cp1252", errors="backslashreplace")
    Terminal(out=stream, err=io.StringIO()).table([verdict("leaf.step.delay", Outcome.DIFFERS, "\u6c34 \u2265 3")])
    assert b"\\u6c34" in raw.getvalue()


@given(st.text(max_size=80), st.floats(0.0, 1.0), st.sampled_from(["", ", about 20 s still"]), st.integers(20, 200))
def test_the_moving_line_fits_and_keeps_share_and_estimate(text, fraction, still, width):
    line = moving_line(text, fraction, still, width)
    assert len(line) <= width
    assert f"{fraction:4.0%}" in line
    assert not still or "20 s" in line


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "a few seconds"), (6, "about 5 s"), (89, "about 90 s"), (119, "about 2 min"), (7200, "about 2.0 h")],
)
def test_an_estimate_is_no_finer_than_it_is_known(seconds, words):
    assert still_to_come(seconds) == f"{words} still"


def test_off_a_terminal_counting_up_is_not_a_line_a_count():
    err = io.StringIO()
    terminal = Terminal(out=io.StringIO(), err=err)
    for second in range(100):
        terminal.step(activity("leaf: thermal, heating", 0.4 + second / 1000.0, f"{second} s"), None)
    assert err.getvalue() == " 40%  leaf: thermal, heating, 0 s\n 45%  leaf: thermal, heating, 50 s\n"


def test_a_motor_that_differs_by_a_number_is_another_step():
    err = io.StringIO()
    terminal = Terminal(out=io.StringIO(), err=err)
    for motor in ("m1", "m2"):
        terminal.step(activity(f"{motor}: step", 0.5), None)
    assert err.getvalue() == " 50%  m1: step\n 50%  m2: step\n"


def test_a_code_is_told_with_what_it_says_whatever_was_decided(monkeypatch):
    name, found = "leaf.conduct.following", exact(3.0, "1")
    differs = "3 (one way only) where 0 (as told) is expected"
    for outcome, reason, told in (
        (Outcome.DIFFERS, differs, f"differs: {differs}"),
        (Outcome.NOT_JUDGED, "needs a model", "not judged: 3 (one way only); needs a model"),
        (Outcome.CONFORMING, "", "conforming: 3 (one way only)"),
    ):
        assert told in " ".join(table(verdict(name, outcome, reason, measured=found)).split())
    out = Tty()
    monkeypatch.setenv("COLUMNS", "60")
    Terminal(out=out, err=io.StringIO()).table([verdict(name, Outcome.AGREES, measured=exact(0.0, "1"))])
    assert "0 (as told), agrees" in " ".join(out.getvalue().split())
