"""A board, a supply and a guard that only note what is asked of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.base.clock import WallClock
from harness.base.errors import BenchError, InstrumentError
from harness.bench.rig import AnyInstrument, Rig
from harness.bench.supply import OutputState, Supply
from harness.link.answers import sum_of
from harness.link.board import BoardIdentity
from harness.rigfile import RigSpec
from tests.software.bench.test_source import spec

IDENTITY = BoardIdentity(unique_id="ab12", system="stub", implementation="stub", version="1", machine="SIMULATED board")


class StubSession:
    name = "supply"
    found_errors = ()


class StubSupply(Supply):
    """`on` is its output; `stuck` refuses to switch it off."""

    def __init__(self, events: list[str], *, on: bool = False, stuck: bool = False) -> None:
        self.events = events
        self.on = on
        self.stuck = stuck
        self.comes_on_as = OutputState.CONSTANT_VOLTAGE
        self.session: Any = StubSession()

    @property
    def identity(self) -> str:
        return "stub"

    def close(self) -> None:
        """Nothing to close."""

    def configure(self, *, voltage_v: float, current_limit_a: float, protection_v: float) -> None:
        self.events.append(f"configure {voltage_v:g} {current_limit_a:g} {protection_v:g}")

    def output_on(self) -> OutputState:
        self.events.append("output on")
        self.on = True
        return self.comes_on_as

    def output_off(self, *, timeout_s: float | None = None) -> None:
        self.events.append("output off")
        if self.stuck:
            raise InstrumentError("supply: does not answer")
        self.on = False

    def output_enabled(self) -> bool:
        return self.on


def answered(text: str) -> str:
    """An answer as a board prints it."""
    return f"RIG: {' '.join(map(str, sum_of(text)))} {text}\n"


class StubBoard:
    """Notes what it is asked; executes nothing."""

    def __init__(self, events: list[str]) -> None:
        self.events = events
        self.printed = ""
        self.make_safe_source = ""
        self.deployed: set[str] = set()
        self.raises: BaseException | None = None
        """What asking the firmware ends with."""

    def __enter__(self) -> StubBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.events.append("board closed")

    def identity(self) -> BoardIdentity:
        return IDENTITY

    def enter(self) -> None:
        self.events.append("enter")

    def soft_reset(self) -> None:
        self.events.append("soft reset")

    def interrupt(self, timeout_s: float = 5.0) -> None:
        assert timeout_s < 1.0
        self.events.append("phases off")

    def execute(self, source: str, timeout_s: float = 5.0) -> str:
        self.events.append("ask firmware" if "declare" in source else "pins off" if "Pin" in source else source)
        if self.raises is not None and "declare" in source:
            raise self.raises
        return self.printed

    execute_checked = execute

    def deploy(self, scripts: object) -> None:
        self.events.append("deploy")

    def run(self, source: str, heartbeat_s: float, before_beat: Callable[[], None] | None = None) -> str:
        self.events.append("run")
        self.before_beat = before_beat
        return source


class StubGuard:
    """A guard that is there until `dead`."""

    def __init__(self, events: list[str]) -> None:
        self.events = events
        self.dead = False

    def wait_ready(self) -> None:
        """It is."""

    def check(self) -> None:
        if self.dead:
            raise BenchError("the guard of the supply has ended")

    def release(self) -> None:
        self.events.append("guard released")


def stub_rig(events: list[str], *, rig_file: RigSpec | None = None, supply: Supply | None = None, **more: Any) -> Rig:
    """A rig of stubs; `more` goes to its constructor."""
    instruments: dict[str, AnyInstrument] = {} if supply is None else {"supply": supply}
    board: Any = StubBoard(events)
    return Rig(
        rig_file or spec(),
        board=board,
        clock=WallClock(),
        identity=IDENTITY,
        instruments=instruments,
        seed=1,
        **more,
    )
