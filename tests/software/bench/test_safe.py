"""Make safe: the order, the second a step has, what a signal may and may not do."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading

import pytest

from harness.base.errors import BenchError, ExitCode, Interrupted, LinkError
from harness.bench.safe import (
    StepOutcome,
    StopSignal,
    UnsafeBench,
    failed,
    make_safe,
    note_unsafe,
    order_first,
    order_of,
    signals_held,
    stop_on_signals,
)
from tests.patience import PATIENCE_S

posix_only = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="signals of POSIX")
pytestmark = pytest.mark.usefixtures("terminal_signals")


def test_phases_first_then_supply() -> None:
    done: list[str] = []
    outcomes = make_safe(phases_off=lambda: done.append("phases"), supply_off=lambda: done.append("supply"))
    assert done == ["phases", "supply"]
    assert [(outcome.step, outcome.trouble) for outcome in outcomes] == [("phases off", ""), ("supply off", "")]


def test_a_step_that_fails_does_not_keep_the_next_from_being_tried() -> None:
    def broken() -> None:
        raise LinkError("board at /dev/none: gone")

    done: list[str] = []
    phases, supply = make_safe(phases_off=broken, supply_off=lambda: done.append("supply"))
    assert done == ["supply"]
    assert phases.trouble == "board at /dev/none: gone"
    assert supply.trouble == ""


def test_a_step_that_hangs_is_left_after_its_time() -> None:
    never = threading.Event()
    done: list[str] = []
    phases, _ = make_safe(
        phases_off=lambda: never.wait(PATIENCE_S), supply_off=lambda: done.append("supply"), limit_s=0.1
    )
    assert phases.trouble == "not finished within 0.1 s"
    assert done == ["supply"]
    never.set()


def test_with_the_link_lost_the_supply_goes_at_once() -> None:
    done: list[str] = []
    make_safe(phases_off=lambda: done.append("phases"), supply_off=lambda: done.append("supply"), link_lost=True)
    assert done == ["supply"]


def test_a_battery_rig_has_no_supply_to_switch() -> None:
    (outcome,) = make_safe(phases_off=lambda: None, supply_off=None)
    assert outcome.step == "phases off"


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
@posix_only
def test_a_signal_ends_the_run_in_order(name: str) -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]
    with pytest.raises(StopSignal, match="Ctrl-C" if name == "SIGINT" else name) as caught, stop_on_signals():
        signal.raise_signal(signal.Signals[name])
    assert isinstance(caught.value, Interrupted)
    assert isinstance(caught.value, KeyboardInterrupt)
    assert caught.value.exit_code is ExitCode.BENCH
    assert before == [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)]


@posix_only
def test_a_second_signal_cannot_abort_the_cleaning_up() -> None:
    done: list[str] = []

    def again(step: str) -> None:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.raise_signal(number)
        done.append(step)

    with pytest.raises(StopSignal, match=r"stopped by SIGTERM$"), stop_on_signals():
        try:
            signal.raise_signal(signal.SIGTERM)
        finally:
            signal.raise_signal(signal.SIGINT)  # before make_safe began
            make_safe(phases_off=lambda: again("phases"), supply_off=lambda: again("supply"))
            done.append("record")
    assert done == ["phases", "supply", "record"]


@posix_only
def test_a_signal_during_an_orderly_end_is_raised_after_it() -> None:
    done: list[str] = []

    def interrupted() -> None:
        signal.raise_signal(signal.SIGINT)
        done.append("phases")

    with pytest.raises(StopSignal, match="Ctrl-C"):
        make_safe(phases_off=interrupted, supply_off=lambda: done.append("supply"))
    assert done == ["phases", "supply"]


@posix_only
def test_held_within_held_raises_when_the_outer_one_is_over() -> None:
    done: list[str] = []
    with pytest.raises(StopSignal, match="Ctrl-C"), signals_held():
        with signals_held():
            signal.raise_signal(signal.SIGINT)
        done.append("outer")
    with pytest.raises(StopSignal, match="Ctrl-C"), signals_held():  # and the next one is an outer one again
        signal.raise_signal(signal.SIGINT)
    assert done == ["outer"]


@posix_only
def test_what_was_ignored_stays_ignored() -> None:
    former = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stop_on_signals(), signals_held():
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, former)


def test_outside_the_main_thread_nothing_is_set() -> None:
    done: list[bool] = []

    def run() -> None:
        with stop_on_signals():
            make_safe(phases_off=lambda: done.append(True), supply_off=None)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert done == [True]


WITHOUT_POSIX = """
import sys
for name in ("fcntl", "termios", "pty", "resource", "pwd", "grp"):
    sys.modules[name] = None
import signal
for name in ("SIGHUP",):
    delattr(signal, name)
from harness.bench import guard, locks, multimeter, safe, supply, thermometer, visa
assert not {"numpy", "pyvisa", "serial", "pydantic"} & set(sys.modules), "heavy"
"""


def test_imports_lightly_and_without_posix_modules() -> None:
    subprocess.run([sys.executable, "-c", WITHOUT_POSIX], check=True, timeout=PATIENCE_S)


def test_the_order_to_a_person_names_what_may_be_on_and_what_failed() -> None:
    outcomes = [StepOutcome(step="phases off", trouble="gone"), StepOutcome(step="supply off", trouble="silent")]
    assert order_of(outcomes) == (
        "SWITCH THE POWER OFF BY HAND: phases and supply may still be on "
        "(phases off FAILED: gone; supply off FAILED: silent)"
    )
    assert order_of(outcomes[1:]).startswith("SWITCH THE POWER OFF BY HAND: supply may still be on (supply off FAILED")
    done = StepOutcome(step="phases off")
    assert failed([done, *outcomes]) == tuple(outcomes)
    assert order_of([done]) == order_of([]) == ""


def test_the_order_is_a_field_of_the_error_whatever_the_words_are() -> None:
    outcomes = (StepOutcome(step="supply off", trouble="first line\nsecond line"),)
    unsafe = UnsafeBench(outcomes, "firmware not put back")
    order = "SWITCH THE POWER OFF BY HAND: supply may still be on (supply off FAILED: first line second line)"
    assert (unsafe.order, unsafe.rest, unsafe.outcomes) == (order, "firmware not put back", outcomes)
    assert str(unsafe) == f"{order}\nfirmware not put back"
    assert str(UnsafeBench(outcomes)) == order
    assert order_first(unsafe) == (order, "firmware not put back")
    assert order_first(BenchError("supply: silent")) == ("", "supply: silent")
    assert order_first(BenchError(f"{order}\nonly said")) == ("", f"{order}\nonly said")  # nobody reads sentences


@pytest.mark.parametrize("error", [StopSignal("stopped by Ctrl-C"), KeyError(), OSError(5, "input"), LinkError("gone")])
def test_an_error_on_its_way_carries_the_order_and_stays_what_it_is(error: BaseException) -> None:
    kind = type(error)
    unsafe = UnsafeBench([StepOutcome(step="phases off", trouble="gone")], "what ended it")
    note_unsafe(error, unsafe)
    assert type(error) is kind
    assert order_first(error) == (unsafe.order, "what ended it")
    assert error.args[0] == str(unsafe)
