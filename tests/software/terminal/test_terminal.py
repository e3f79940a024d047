"""What a person sees: whole on a terminal and off it, narrow, without colour, with hostile text in it."""

from __future__ import annotations

import io

import pytest

from harness.quantity import exact, normal
from harness.results import Expectation, Outcome, Requirement, Verdict
from harness.terminal import Terminal, gathered, still_to_come

HOSTILE = "[red]x[/] \x1b[2J [/dev/ttyACM0] [requirements]"


def verdict(name: str, outcome: Outcome, reason: str = "", **more: object) -> Verdict:
    return Verdict(name=name, outcome=outcome, reason=reason, **more)  # type: ignore[arg-type]


def table(*verdicts: Verdict) -> str:
    out = io.StringIO()
    Terminal(out=out, err=io.StringIO()).table(verdicts)
    return out.getvalue()


def test_outside_text_passes_whole_and_harmless():
    shown = table(verdict("gate.step.delay", Outcome.NOT_RUN, HOSTILE))
    flat = " ".join(shown.split())
    assert "[red]x[/] \\x1b[2J [/dev/ttyACM0] [requirements]" in flat
    assert "\x1b" not in shown


def test_numbers_words_and_marks():
    shown = table(
        verdict(
            "gate.step.delay",
            Outcome.AGREES,
            unit="s",
            measured=normal(1.5e-3, 1e-5, "s", "x"),
            expected=Expectation(name="x", quantity=exact(1.4e-3, "s")),
        ),
        verdict(
            "gate.step.overshoot",
            Outcome.NONCONFORMING,
            "too far",
            measured=normal(0.97, 0.01, "1", "x"),
            requirement=Requirement(name="x", low=0.1, high=0.9),
        ),
        verdict(
            "gate.step.error",
            Outcome.AGREES,
            measured=normal(0.0, 0.01, "rad", "x"),
            expected=Expectation(name="x", quantity=exact(0.0, "rad"), interval=(-0.1, 0.1)),
        ),
        verdict("gate.step.odd", Outcome.CANNOT_TELL, measured=exact(3.0, "1")),
    )
    lines = [line.split() for line in shown.splitlines()[1:]]
    assert lines[0] == ["ok", "gate.step.delay", "0.0015", "2e-05", "0.0014", "s", "agrees"]
    assert lines[1] == [
        "XX",
        "gate.step.overshoot",
        "0.97",
        "0.02",
        ">=",
        "0.1",
        "<=",
        "0.9",
        "nonconforming:",
        "too",
        "far",
    ]
    assert lines[2][4:8] == ["-0.1", "to", "0.1", "rad"]
    assert lines[3] == ["??", "gate.step.odd", "3", "cannot", "tell"]


def test_neighbours_that_were_not_run_for_one_reason_are_one_row():
    rows = [verdict(f"gate.step.q{k}", Outcome.NOT_RUN, "because") for k in range(3)]
    rows += [
        verdict("gate.thermal.rise", Outcome.NOT_RUN, "because"),
        verdict("gate.thermal.x", Outcome.NOT_RUN, "other"),
    ]
    assert [count for _, count in gathered(rows)] == [3, 1, 1]
    assert "gate.step (3 quantities)" in table(*rows)


def test_off_a_terminal_one_line_a_step_without_repeats():
    err = io.StringIO()
    terminal = Terminal(out=io.StringIO(), err=err)
    for fraction in (0.0, 0.1, 0.2):
        terminal.step("gate: step", fraction, 30.0)
    terminal.step("gate: thermal\x1b[31m", 0.5, None)
    assert err.getvalue() == "  0%  gate: step, about 30 s still\n 50%  gate: thermal\\x1b[31m\n"


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_one_line_that_moves_and_is_cleared(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    err, out = Tty(), io.StringIO()
    terminal = Terminal(out=out, err=err)
    terminal.step("a long step with many words", 0.5, 61.0)
    terminal.step("short", 0.75, None)
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
    Terminal(out=io.StringIO(), err=err).step("x", 0.1, None)
    assert err.getvalue() == " 10%  x\n"


def test_quiet_says_nothing_but_the_result():
    err, out = io.StringIO(), io.StringIO()
    terminal = Terminal(quiet=True, out=out, err=err)
    terminal.step("x", 0.1, None)
    terminal.say("y")
    terminal.result("z\x07")
    assert err.getvalue() == ""
    assert out.getvalue() == "z\\x07\n"


def test_the_table_survives_a_narrow_encoding_and_no_colour(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="cp1252", errors="backslashreplace")
    Terminal(out=stream, err=io.StringIO()).table([verdict("gate.step.delay", Outcome.DIFFERS, "\u6c34 \u2265 3")])
    assert b"\\u6c34" in raw.getvalue()


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
        terminal.step(f"gate: thermal, heating, {second} s", 0.4 + second / 1000.0, None)
    assert len(err.getvalue().splitlines()) == 2
