"""What the board's guard says, in a person's words, and what kind of trouble it is."""

from __future__ import annotations

import pytest

from harness.base.errors import BenchError, DeviceError, FirmwareFault, StoppedByBoard
from harness.bench.stops import FaultByGuard, StoppedByGuard, conduct, in_words, interrupted_in, meaning
from tests.software.bench.test_source import spec

OURS = ("safety.py", "fields.py", "loop.py")
TRACE = 'Traceback (most recent call last):\n  File "<stdin>", line 4, in <module>\n  File "{}", line 7, in serve\n{}\n'


def raised(last: str, file: str = "safety.py") -> Exception:
    """What comes of an exception of code on the board."""
    return meaning(DeviceError("the script raised", TRACE.format(file, last)), OURS)


@pytest.mark.parametrize(
    ("fields", "at_leaf", "at_wheel"),
    [
        (
            ("speed", 0, 314, 1000, 31291),
            "speed 60.2 rad/s, limit 60 rad/s",
            "leaf: speed 60.2 rad/s, limit 60 rad/s",
        ),
        (
            ("speed", 1, -600, 1500, 31291),
            "wheel: speed 76.7 rad/s, limit 60 rad/s",
            "speed 76.7 rad/s, limit 60 rad/s",
        ),
        (
            ("travel", 1, -12600, 12516),
            "wheel: travel -2.42 rad from hanging, limit 2.4 rad",
            "travel -2.42 rad from hanging, limit 2.4 rad",
        ),
        (
            ("sensor", 1, 20),
            "wheel: sensor: 20 readings in a row not valid",
            "sensor: 20 readings in a row not valid",
        ),
        (("speed", 0, 314, 0, 31291), "speed: 314, 0, 31291", "leaf: speed: 314, 0, 31291"),
        (("heat", 0, 9), "heat: 9", "leaf: heat: 9"),
        (("travel", 7, 1, 1), "motor 7: travel 1, 1", "motor 7: travel 1, 1"),
    ],
)
def test_stops_are_told_in_the_units_of_the_rig_file(fields, at_leaf, at_wheel):
    stop = raised(f"Stop: {fields!r}")
    assert isinstance(stop, StoppedByGuard)
    assert [in_words(stop, spec(), motor) for motor in ("leaf", "wheel")] == [at_leaf, at_wheel]


def test_what_the_host_or_the_firmware_stopped_for_is_told_as_it_is():
    assert (
        in_words(StoppedByBoard("phase current 1.2 A, limit 1 A"), spec(), "leaf") == "phase current 1.2 A, limit 1 A"
    )


def test_what_a_file_of_the_firmware_raised_is_its_fault_and_what_ours_raised_is_not():
    text = 'Traceback (most recent call last):\n  File "{}", line 4, in run\nValueError: no'
    found = meaning(DeviceError("raised", text.format("lib/own.py")), {"loop.py"})
    assert isinstance(found, FirmwareFault)
    assert (str(found), found.what) == ("the firmware raised ValueError: no (lib/own.py, line 4, in run)", "exception")
    ours = DeviceError("raised", text.format("loop.py"))
    assert meaning(ours, {"loop.py"}) is ours


def test_a_silent_host_is_the_bench_s_trouble():
    silent = raised("Stop: ('deadman',)")
    assert isinstance(silent, BenchError)
    assert "raise board.deadman_s" in str(silent)


@pytest.mark.parametrize("last", ["Stop: (", "Stop: ('speed', 'leaf', 1)", "Stop: (1, 2)", "OSError: 5"])
def test_anything_else_that_a_script_of_ours_raises_stays_what_it_is(last):
    assert type(raised(last)) is DeviceError


PASS = """Traceback (most recent call last):
  File "power.py", line 12, in put
  File "own.py", line 30, in <lambda>
ZeroDivisionError: divide by zero
"""
HOOK = """Traceback (most recent call last):
  File "own.py", line 30, in <lambda>
  File "rotorgate/loop.py", line 40, in _put
TypeError: can't convert float to int
"""
KEYBOARD = """Traceback (most recent call last):
  File "<stdin>", line 5, in <module>
  File "rotorgate/safety.py", line 120, in start
  File "own.py", line 77, in start
KeyboardInterrupt: 
"""  # noqa: W291
LATE = "did not return for 3097 ms: interrupted in own.py, line 77, in start"


@pytest.mark.parametrize(
    ("printed", "what", "words"),
    [
        (
            f"hello\n{PASS}more\n",
            "exception",
            "ZeroDivisionError: divide by zero (own.py, line 30, in <lambda>, called from power.py, line 12, in put)",
        ),
        (
            HOOK,
            "exception",
            "the firmware raised TypeError: can't convert float to int (own.py, line 30, in <lambda>)",
        ),
        (
            "Uncaught exception in IRQ callback handler\nMemoryError: heap is locked\n",
            "exception",
            "a callback of the firmware raised MemoryError: heap is locked; the board does not say where",
        ),
        (f"uncaught exception in Timer(1) interrupt handler\n{PASS}", "exception", "the firmware raised ZeroDivision"),
        ("Stop: ('off_time', 1, 300, 100)\n", "off_time", "motor 1: off took 300 ms, 100 allowed"),
        (f"\x1e\x00x\x04{KEYBOARD}\x04>", None, ""),
        (
            f"x\x1ey\nAway: (3097,)\n\x04{KEYBOARD}\x04>",
            "returns",
            LATE,
        ),
        (KEYBOARD.replace("own.py", "rotorgate/loop.py") + "Away: (3097,)\n", None, ""),
        (PASS.replace("own.py", "rotorgate/loop.py").replace("power.py", "rotorgate/safety.py"), None, ""),
        ("the firmware prints Stop: by its own words\nTraceback (most recent", None, ""),
    ],
)
def test_what_a_callback_or_a_late_return_says_on_the_console_is_the_firmware_s_fault(printed, what, words):
    found = conduct(printed, OURS)
    assert (found and found.what) == what
    assert words in str(found)


@pytest.mark.parametrize(
    ("fields", "what", "words"),
    [
        (("start_time", 0, 900, 100), "start_time", "start took 900 ms, 100 allowed"),
        (("off_time", 0, 300, 100), "off_time", "off took 300 ms, 100 allowed"),
        (("late_pass", 0, 21213, 1000), "passes", "loop: a pass every 21213 us, period 1000 us"),
        (("long_pass", 0, 2100, 1000), "passes", "loop: a pass of 2100 us, period 1000 us"),
        (("loop", 0, 3, 1200), "passes", "loop: 3 passes in 1200 ms"),
        (("loop", 0, 0, 1200), "passes", "loop: 0 passes in 1200 ms: its callback is never run, ends in"),
        (("no_pass", 0, 1010), "passes", "loop: no pass in 1010 ms: its callback is never run, ends in"),
        (("no_pass", 0), "passes", "no_pass: "),
    ],
)
def test_the_guard_tells_the_firmware_s_fault_from_a_limit(fields, what, words):
    found = raised(f"Stop: {fields!r}")
    assert isinstance(found, FaultByGuard)
    assert found.what == what
    assert in_words(found, spec(), "leaf").startswith(words)
    assert in_words(found, spec(), "wheel").startswith(f"leaf: {words}")
    assert str(found).startswith(f"motor 0: {words}")


def test_a_board_that_was_away_is_not_called_a_silent_host():
    away = raised("Stop: ('deadman', 420)")
    assert isinstance(away, BenchError)
    assert "had not looked for its host for 420 ms" in str(away)
    assert "raise board.deadman_s" not in str(away)


def test_where_a_firmware_was_interrupted_is_told():
    assert interrupted_in(KEYBOARD, OURS) == "own.py, line 77, in start"
    assert interrupted_in(PASS, OURS) == ""
