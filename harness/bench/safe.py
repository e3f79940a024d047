"""Make safe: phases off, then supply off, whatever happens; and signals that end a run in order.

Each step runs in a thread of its own with one second, so that a step that hangs (a VISA write to a peer that
reads no more has no timeout) cannot keep the next from being tried.
"""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from types import FrameType

from harness.base.clock import WallClock
from harness.base.errors import BenchError, Interrupted

STEP_LIMIT_S = 1.0  # promised to users
DEAF_S = 5.0  # arbitrary, longer than both steps and the unwinding before them, where a script is interrupted

PHASES_OFF, SUPPLY_OFF = "phases off", "supply off"
STILL_ON = {PHASES_OFF: "phases", SUPPLY_OFF: "supply"}
"""What may still be on where a step has failed."""

log = logging.getLogger("harness.safe")

_UNSAFE = "unsafe_bench"
"""Attribute of an error after which the bench could not be left safe."""

_holding: ContextVar[bool] = ContextVar("holding", default=False)

Handler = Callable[[int, FrameType | None], object] | int | None


class StopSignal(Interrupted, KeyboardInterrupt):
    """A person or the system asked to stop. Also a KeyboardInterrupt: pytest then ends the session, not one test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepOutcome:
    """What became of one step; `trouble` is empty where it was done."""

    step: str
    trouble: str = ""

    @property
    def words(self) -> str:
        """`phases off FAILED: why`, of a step that was not done."""
        return f"{self.step} FAILED: {self.trouble}"


class UnsafeBench(BenchError):
    """The bench could not be left safe: `outcomes` are the steps that failed, `order` is what a person must do now.

    Its text begins with the order, on a line of its own; `rest` is what else there is to say, in one line.
    """

    def __init__(self, outcomes: Sequence[StepOutcome], rest: str = "") -> None:
        self.outcomes = tuple(outcomes)
        self.order = order_of(outcomes)
        self.rest = rest
        super().__init__(f"{self.order}\n{rest}" if rest else self.order)


def make_safe(
    *,
    phases_off: Callable[[], object] | None,
    supply_off: Callable[[], object] | None,
    link_lost: bool = False,
    limit_s: float = STEP_LIMIT_S,
) -> tuple[StepOutcome, ...]:
    """Phases off, then supply off, neither of which can be interrupted; returns what became of each step.

    None leaves a step out: a battery rig has no supply to switch. With the link lost nothing is asked of the
    board, whose own deadman turns its phases off. Raises nothing but StopSignal, after the steps, for a signal
    that came meanwhile (see `signals_held`).
    """
    steps = [(PHASES_OFF, None if link_lost else phases_off), (SUPPLY_OFF, supply_off)]
    with signals_held():
        return tuple(_try(step, act, limit_s) for step, act in steps if act is not None)


def _try(step: str, act: Callable[[], object], limit_s: float) -> StepOutcome:
    trouble = [f"not finished within {limit_s:g} s"]

    def run() -> None:
        try:
            act()
        except BaseException as error:  # whatever it is, the next step must be tried
            trouble[0] = str(error) or type(error).__name__
        else:
            trouble[0] = ""

    thread = threading.Thread(target=run, name=step, daemon=True)
    thread.start()
    thread.join(limit_s)
    outcome = StepOutcome(step=step, trouble=trouble[0])
    if outcome.trouble:
        log.warning("make safe: %s: %s", step, outcome.trouble)
    else:
        log.debug("make safe: %s: done", step)
    return outcome


def failed(outcomes: Sequence[StepOutcome]) -> tuple[StepOutcome, ...]:
    """The steps that were not done."""
    return tuple(outcome for outcome in outcomes if outcome.trouble)


def order_of(outcomes: Sequence[StepOutcome]) -> str:
    """The order to a person, in one line, with the steps of making safe that failed; "" where none did."""
    undone = failed(outcomes)
    if not undone:
        return ""
    on = " and ".join(dict.fromkeys(STILL_ON[outcome.step] for outcome in undone))
    causes = "; ".join(outcome.words for outcome in undone)
    return f"SWITCH THE POWER OFF BY HAND: {on} may still be on ({causes})".replace("\n", " ")


def note_unsafe(error: BaseException, unsafe: UnsafeBench) -> None:
    """Let an error that is on its way say what could not be made safe after it; it stays the error that it is."""
    error.args = (str(unsafe), *error.args[1:])
    vars(error)[_UNSAFE] = unsafe


def order_first(error: BaseException) -> tuple[str, str]:
    """What an error says: the order to a person ("" where there is none), and the rest."""
    unsafe = error if isinstance(error, UnsafeBench) else vars(error).get(_UNSAFE)
    return (unsafe.order, unsafe.rest) if isinstance(unsafe, UnsafeBench) else ("", str(error))


def stop_signals() -> tuple[signal.Signals, ...]:
    """Those of SIGINT, SIGTERM, SIGHUP (POSIX) and SIGBREAK (Windows) that this system has."""
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    return tuple(signal.Signals[name] for name in names if name in signal.Signals.__members__)


def raise_stop(number: int, _frame: FrameType | None) -> None:
    """A signal handler: raise StopSignal."""
    raise StopSignal(_reason(signal.Signals(number).name))


@contextlib.contextmanager
def stop_on_signals() -> Iterator[None]:
    """Turn the stop signals into StopSignal, once: those of the next seconds are heard but raise nothing.

    So a second Ctrl-C cannot abort the cleaning up that the first one began. A signal that was ignored
    when the run began (nohup) stays ignored. Outside the main thread this does nothing.
    """
    clock = WallClock()
    raised_at_s: list[float] = []

    def stop(number: int, _frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if raised_at_s and clock.now_s() - raised_at_s[-1] < DEAF_S:
            log.warning("%s: already stopping", name)
            return
        raised_at_s.append(clock.now_s())
        raise StopSignal(_reason(name))

    with _handled_by(stop):
        yield


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """Hold the stop signals back while the body runs; one that came raises StopSignal afterwards, if no error does.

    Inside another one this does nothing: the outer one raises, when everything is over.
    """
    if _holding.get():
        yield
        return
    held: list[str] = []
    error_under_way = sys.exc_info()[0] is not None

    def hold(number: int, _frame: FrameType | None) -> None:
        held.append(signal.Signals(number).name)

    with _handled_by(hold):
        before = _holding.set(True)
        try:
            yield
        finally:
            _holding.reset(before)
    if held and not error_under_way:
        raise StopSignal(_reason(held[0]))


def _reason(name: str) -> str:
    return "stopped by Ctrl-C" if name == "SIGINT" else f"stopped by {name}"


@contextlib.contextmanager
def _handled_by(handler: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set handlers, and only it runs them
        return
    before: dict[signal.Signals, Handler] = {}
    for number in stop_signals():
        if signal.getsignal(number) == signal.SIG_IGN:
            continue
        before[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, former in before.items():
            # None: the handler was not set from Python and cannot be put back.
            signal.signal(number, signal.SIG_DFL if former is None else former)
