"""What a service makes of what the board prints and of what goes wrong: the firmware's fault goes before its sequel."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.acting.service import Service
from harness.base.errors import DeviceError, FirmwareFault, LinkError, LinkTimeout
from harness.link.frames import Event

TRACEBACK = """Traceback (most recent call last):
  File "own.py", line 30, in <lambda>
ZeroDivisionError: divide by zero
"""
RAISED = r"the firmware raised ZeroDivisionError: divide by zero \(own.py, line 30, in <lambda>\)"
STOP = 'Traceback (most recent call last):\n  File "rotorgate/safety.py", line 9, in stop\nStop: {}\n'


TERMS: dict[str, object] = {
    "pins": ((0, 1, 2),), "enables": (6,), "enable_off": (0,),
    "deadman_ms": 300, "hang": (None,), "travel": (900,), "speed": (31291,),
}  # fmt: skip
AGREED = ("", Event(name="guard", value=TERMS))


class FakeRun:
    """A script: each turn prints some text, then gives a frame, an error or the end."""

    def __init__(self, *turns: tuple[str, Any], after: str = "") -> None:
        self.turns = list(turns)
        self.printed = ""
        self.after = after
        self.orders: list[bytes] = []
        self.left = False

    @property
    def printed_bytes(self) -> int:
        return len(self.printed)

    def printed_since(self, begin: int) -> str:
        return self.printed[begin:]

    @property
    def last_words(self) -> str:
        return self.printed + self.after

    def next_frame(self, _timeout_s: float) -> Any:
        text, outcome = self.turns.pop(0)
        self.printed += text
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    def __enter__(self) -> FakeRun:
        return self

    def send(self, order: bytes) -> None:
        self.orders.append(order)

    def __exit__(self, *_: object) -> None:
        self.left = True
        self.printed += self.after


def service(*turns: tuple[str, Any], after: str = "") -> Service:
    class Rig:
        script: Callable[..., Any] = staticmethod(lambda *_, **__: FakeRun(*turns, after=after))
        guard_terms: Callable[[], dict[str, object]] = staticmethod(lambda: TERMS)

    return Service(Rig(), "fields", "serve")


def event(name: str = "done") -> Event:
    return Event(name=name, value=0)


def test_an_exception_in_a_callback_is_raised_when_all_of_it_is_there() -> None:
    half = len(TRACEBACK) // 2
    running = service(("a line\n" + TRACEBACK[:half], event()), (TRACEBACK[half:], event()))
    running.step()
    with pytest.raises(FirmwareFault, match=RAISED):
        running.step()


def test_what_a_firmware_prints_of_its_own_is_no_fault() -> None:
    running = service(*((f"pass {number}\n", event()) for number in range(5)), ("", None))
    for _ in range(5):
        assert running.step() is not None
    assert running.step() is None


@pytest.mark.parametrize(
    "error",
    [
        LinkTimeout("no frame within 3 s"),
        LinkError("frame 7: damaged"),
        DeviceError("raised", STOP.format("('deadman',)")),
    ],
)
def test_what_follows_from_an_exception_in_a_callback_is_not_blamed_on_the_link(error: LinkError) -> None:
    with pytest.raises(FirmwareFault, match=f"^{RAISED}$"):
        service(("", error), after=TRACEBACK).step()
    with pytest.raises(type(error) if not isinstance(error, DeviceError) else Exception) as found:
        service(("", error)).step()
    assert not isinstance(found.value, FirmwareFault)


def test_a_stop_after_an_exception_in_a_callback_is_told_behind_it() -> None:
    stop = DeviceError("raised", STOP.format("('speed', 0, 900, 1000, 100)"))
    with pytest.raises(FirmwareFault, match=rf"^{RAISED}; then motor 0: speed 900"):
        service(("", stop), after=TRACEBACK).step()


def test_what_is_printed_at_the_very_end_is_seen_too() -> None:
    with (
        pytest.raises(FirmwareFault, match="off took 300 ms"),
        service(AGREED, ("", None), after="Stop: ('off_time', 0, 300, 100)\n") as running,
    ):
        assert running.step() is None


def test_a_script_goes_on_only_with_the_limits_that_it_was_given() -> None:
    running = service(AGREED, ("", event()), ("", None))
    with running:
        assert running._run.orders == [b"go"]  # type: ignore[attr-defined]
        assert running.answers() == {"done": 0}


@pytest.mark.parametrize(
    "said",
    [
        Event(name="guard", value={**TERMS, "travel": (9000,)}),
        Event(name="guard", value={**TERMS, "deadman_ms": 3000}),
        Event(name="guard", value={**TERMS, "hang": (7,)}),
        Event(name="guard", value={**TERMS, "enable_off": (1,)}),
        event(),
        None,
    ],
)
def test_other_limits_or_none_end_it_before_anything_is_energised(said: Event | None) -> None:
    running = service(("", said))
    with (
        pytest.raises(LinkError, match=r"^guard on the board: expected .*, found .*; no order was given$"),
        running,
    ):
        raise AssertionError("it went on")
    assert running._run.orders == []  # type: ignore[attr-defined]
    assert running._run.left  # type: ignore[attr-defined]
