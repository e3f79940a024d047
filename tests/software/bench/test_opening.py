"""The end of an opened rig, whatever it ends by: all steps done, and what could not be done is said."""

from __future__ import annotations

import contextlib
import re
import signal
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from harness.base.errors import BenchError, DeviceError, FirmwareFault, InstrumentError, StoppedByBoard
from harness.bench import opening
from harness.bench.locks import DeviceLocks
from harness.bench.rig import Rig
from harness.bench.safe import StopSignal, UnsafeBench, order_first
from tests.software.bench.stubs import StubBoard, StubGuard, StubSupply
from tests.software.bench.test_source import spec

BY_HAND = r"SWITCH THE POWER OFF BY HAND: supply may still be on \(supply off FAILED: supply: does not answer\)"
posix_only = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="signals of POSIX")


class Stubs:
    """What is opened in place of a bench."""

    def __init__(self) -> None:
        self.events: list[str] = []
        self.board = StubBoard(self.events)
        self.supply = StubSupply(self.events)
        self.guard = StubGuard(self.events)
        self.doors = opening.DOORS

    def opened(
        self,
        *,
        before: Callable[[Rig], Callable[[], None] | None] | None = None,
        locks: DeviceLocks | None = None,
        port: str = "",
        fault: Callable[[Rig, FirmwareFault], None] | None = None,
    ) -> Any:
        rig_file = spec()
        kept = {"supply": rig_file.instrument["supply"]}
        rig_file = rig_file.model_copy(update={"instrument": kept})
        if port:
            board = rig_file.board.model_copy(update={"port": port})
            rig_file = rig_file.model_copy(update={"board": board})
        return opening.open_rig(
            rig_file,
            seed=1,
            guard_log=Path("guard.log"),
            before_firmware=before,
            locks=locks,
            on_fault=fault,
            doors=self.doors,
        )


@pytest.fixture
def stubs(monkeypatch: pytest.MonkeyPatch) -> Stubs:
    stubs = Stubs()

    class Locks(contextlib.nullcontext[Any]):
        def __enter__(self) -> Locks:
            return self

        def hold(self, devices: object) -> None:
            """Nobody else is there."""

        def check(self) -> None:
            """Nothing is lost."""

    @contextlib.contextmanager
    def addressed(rig_file: object, **_: object) -> Iterator[object]:
        yield rig_file

    stubs.doors = opening.Doors(
        addressed=addressed,  # type: ignore[arg-type]
        locks=Locks,  # type: ignore[arg-type]
        instrument=lambda *_: stubs.supply,  # type: ignore[return-value, arg-type]
        board=lambda *_, **__: stubs.board,  # type: ignore[return-value, arg-type]
        guard=lambda *_, **__: stubs.guard,  # type: ignore[return-value, arg-type]
    )
    monkeypatch.setattr(Rig, "ask_firmware", lambda _: stubs.events.append("ask firmware"))
    return stubs


def test_an_orderly_end_is_in_order(stubs: Stubs) -> None:
    with stubs.opened(before=lambda _: lambda: stubs.events.append("put back")) as rig:
        assert rig.guard is stubs.guard
        rig.power_on()
    assert stubs.events == [
        *("output off", "soft reset", "pins off", "ask firmware", "configure 12 1.5 14", "output on"),
        *("phases off", "output off", "put back", "guard released", "board closed"),
    ]


@pytest.mark.usefixtures("terminal_signals")
@posix_only
def test_a_signal_while_it_is_made_safe_does_not_keep_the_firmware_from_being_put_back(stubs: Stubs) -> None:
    quiet = stubs.board.interrupt

    def interrupted(timeout_s: float) -> None:
        signal.raise_signal(signal.SIGINT)
        quiet(timeout_s)

    stubs.board.interrupt = interrupted  # type: ignore[method-assign]
    with (
        pytest.raises(StopSignal, match="stopped by Ctrl-C"),
        stubs.opened(before=lambda _: lambda: stubs.events.append("put back")),
    ):
        pass
    assert stubs.events[-5:] == ["phases off", "output off", "put back", "guard released", "board closed"]


@pytest.mark.usefixtures("terminal_signals")
@posix_only
def test_what_could_not_be_done_is_said_although_a_signal_came(stubs: Stubs) -> None:
    quiet = stubs.board.interrupt

    def interrupted(timeout_s: float) -> None:
        signal.raise_signal(signal.SIGINT)
        quiet(timeout_s)

    stubs.board.interrupt = interrupted  # type: ignore[method-assign]
    with pytest.raises(StopSignal, match=rf"^{BY_HAND}\nstopped by Ctrl-C$"), stubs.opened():
        stubs.supply.stuck = True


def test_an_output_that_is_on_at_opening_and_stays_on_is_said_and_left_to_the_guard(stubs: Stubs) -> None:
    stubs.supply.on = stubs.supply.stuck = True
    with pytest.raises(InstrumentError, match=rf"^{BY_HAND}\nsupply: does not answer$"), stubs.opened():
        pass
    assert "guard released" not in stubs.events


def test_firmware_at_fault_is_told_with_all_made_safe_and_before_it_is_taken_off(stubs: Stubs, monkeypatch) -> None:
    def raising(_rig: Rig) -> None:
        raise FirmwareFault("SyntaxError", "import")

    monkeypatch.setattr(Rig, "ask_firmware", raising)
    told = stubs.opened(
        before=lambda _: lambda: stubs.events.append("put back"),
        fault=lambda _, fault: stubs.events.append(f"told of {fault.what}"),
    )
    with pytest.raises(FirmwareFault, match=r"^SyntaxError$"), told:
        pass
    begun = stubs.events.index("told of import")
    assert stubs.events[begun - 2 : begun] == ["phases off", "output off"]
    assert stubs.events.index("put back") > begun


def test_trouble_at_the_end_goes_with_the_error_that_ended_it(stubs: Stubs) -> None:
    with pytest.raises(StoppedByBoard, match=rf"^{BY_HAND}\ntravel$"), stubs.opened():
        stubs.supply.stuck = True
        raise StoppedByBoard("travel")


def test_trouble_at_the_end_is_said_beside_an_error_without_words(stubs: Stubs) -> None:
    with pytest.raises(KeyError, match=BY_HAND), stubs.opened():
        stubs.supply.stuck = True
        raise KeyError


def test_trouble_at_an_orderly_end_is_an_error(stubs: Stubs) -> None:
    def not_put_back() -> None:
        raise DeviceError("OSError: 28")

    with (
        pytest.raises(
            BenchError, match=r"firmware not put back, `rotorgate qualify RIG --restore` does it: OSError: 28"
        ),
        stubs.opened(before=lambda _: not_put_back),
    ):
        pass
    assert "guard released" in stubs.events


def test_an_orderly_end_that_leaves_the_supply_on_is_an_unsafe_bench(stubs: Stubs) -> None:
    def not_put_back() -> None:
        raise DeviceError("OSError: 28")

    with (
        pytest.raises(UnsafeBench, match=rf"^{BY_HAND}\nfirmware not put back, .*: OSError: 28$") as caught,
        stubs.opened(before=lambda _: not_put_back),
    ):
        stubs.supply.stuck = True
    assert [outcome.step for outcome in caught.value.outcomes] == ["supply off"]
    assert re.fullmatch(BY_HAND, caught.value.order)
    assert caught.value.rest.startswith("firmware not put back")


def test_the_order_to_a_person_is_a_field_of_whatever_error_ends_it(stubs: Stubs) -> None:
    with pytest.raises(StoppedByBoard) as caught, stubs.opened():
        stubs.supply.stuck = True
        raise StoppedByBoard("travel")
    order, rest = order_first(caught.value)
    assert re.fullmatch(BY_HAND, order)
    assert rest == "travel"


class RemoteLocks:
    """Notes who is asked to be kept out beyond this machine; `lost` when that no longer holds."""

    def __init__(self) -> None:
        self.held: set[str] = set()
        self.lost = False

    def hold(self, devices: Sequence[str]) -> None:
        self.held.update(devices)

    def give(self, devices: Sequence[str]) -> None:
        self.held.difference_update(devices)

    def check(self) -> None:
        if self.lost:
            raise BenchError("the locks are lost")


def test_devices_are_held_beyond_this_machine_too_and_nothing_is_energised_when_that_hold_is_lost(stubs, tmp_path):
    remote = RemoteLocks()
    with stubs.opened(locks=DeviceLocks(tmp_path, remote=remote), port="/dev/ttyTEST") as rig:
        assert "port /dev/ttyTEST" in remote.held
        assert any(device.startswith("instrument ") for device in remote.held)
        remote.lost = True
        for act in (rig.power_on, lambda: rig.script("static", "hold")):
            with pytest.raises(BenchError, match="the locks are lost"):
                act()
        assert "output on" not in stubs.events
        assert "run" not in stubs.events
    assert remote.held == set()


def test_a_bench_that_is_started_here_is_nobody_elses(stubs, tmp_path):
    remote = RemoteLocks()
    with stubs.opened(locks=DeviceLocks(tmp_path, remote=remote), port="simulated:sluice"):
        assert remote.held == set()
