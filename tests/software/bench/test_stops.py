"""What the board's guard says, in a person's words, and what kind of trouble it is."""

from __future__ import annotations

import pytest

from harness.base.errors import BenchError, DeviceError, FirmwareFault, StoppedByBoard
from harness.bench.stops import StoppedByGuard, in_words, meaning
from tests.software.bench.test_source import spec

OURS = ("safety.py", "fields.py")
TRACE = 'Traceback (most recent call last):\n  File "<stdin>", line 4, in <module>\n  File "{}", line 7, in serve\n{}\n'


def raised(last: str, file: str = "safety.py") -> Exception:
    """What comes of an exception of code on the board."""
    return meaning(DeviceError("the script raised", TRACE.format(file, last)), OURS)


@pytest.mark.parametrize(
    ("fields", "at_leaf", "at_wheel"),
    [
        (
            ("speed", 0, 157, 2000, 7823),
            "speed 60.2 rad/s, limit 60 rad/s",
            "leaf: speed 60.2 rad/s, limit 60 rad/s",
        ),
        (
            ("speed", 1, -300, 3000, 7823),
            "wheel: speed 76.7 rad/s, limit 60 rad/s",
            "speed 76.7 rad/s, limit 60 rad/s",
        ),
        (
            ("travel", 1, -3150, 3129),
            "wheel: travel -2.42 rad from hanging, limit 2.4 rad",
            "travel -2.42 rad from hanging, limit 2.4 rad",
        ),
        (
            ("sensor", 1, 20),
            "wheel: sensor: 20 readings in a row not valid",
            "sensor: 20 readings in a row not valid",
        ),
        (("loop", 0, 3, 1000), "loop: 3 passes in 1000 ms", "leaf: loop: 3 passes in 1000 ms"),
        (("speed", 0, 157, 0, 15646), "speed: 157, 0, 15646", "leaf: speed: 157, 0, 15646"),
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
    assert (str(found), found.what) == ("the firmware raised ValueError: no (own.py, line 4)", "exception")
    ours = DeviceError("raised", text.format("loop.py"))
    assert meaning(ours, {"loop.py"}) is ours


def test_a_silent_host_is_the_bench_s_trouble():
    silent = raised("Stop: ('deadman',)")
    assert isinstance(silent, BenchError)
    assert "raise board.deadman_s" in str(silent)


@pytest.mark.parametrize("last", ["Stop: (", "Stop: ('speed', 'leaf', 1)", "Stop: (1, 2)", "OSError: 5"])
def test_anything_else_that_a_script_of_ours_raises_stays_what_it_is(last):
    assert type(raised(last)) is DeviceError
