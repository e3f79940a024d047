"""`inspect` on stubs: the firmware runs only where it cannot move anything, and its pins are off afterwards."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from harness.base.errors import BoardBusy, DeviceError, ExitCode, InstrumentError, LinkError
from harness.bench import opening
from harness.command import inspect as cli_inspect
from harness.rigfile import RigSpec
from tests.software.bench.stubs import StubBoard, StubSupply, answered
from tests.software.bench.test_source import spec
from tests.software.nouns.test_declared import GOOD

ASKED = ["ask firmware", "soft reset", "pins off"]


class Stubs:
    """What is looked at in place of a bench."""

    def __init__(self, rig_file: RigSpec) -> None:
        self.events: list[str] = []
        self.rig_file = rig_file.model_copy(update={"instrument": {"supply": rig_file.instrument["supply"]}})
        self.board = StubBoard(self.events)
        self.board.printed = "".join(answered(repr(said)) for said in (["angle"], GOOD, GOOD))
        self.supply = StubSupply(self.events)
        self.silent = False
        self.safe_at_opening: str | None = None
        self.doors = opening.DOORS

    def open_board(self, *_: object, make_safe_source: str, interrupt: bool) -> StubBoard:
        self.safe_at_opening = make_safe_source
        self.events.append("opened, interrupted" if interrupt else "opened")
        return self.board

    def open_instrument(self, *_: object) -> StubSupply:
        if self.silent:
            raise InstrumentError("supply: does not answer")
        return self.supply

    def look(self, *, interrupt: bool = False) -> cli_inspect.Inspection:
        return cli_inspect.inspect_spec(self.rig_file, interrupt=interrupt, doors=self.doors)


@pytest.fixture
def stubs() -> Stubs:
    stubs = Stubs(spec())

    class Locks(contextlib.nullcontext[Any]):
        def __enter__(self) -> Locks:
            return self

        def hold(self, devices: object) -> None:
            """Nobody else is there."""

    @contextlib.contextmanager
    def addressed(rig_file: object, **_: object) -> Iterator[object]:
        yield rig_file

    stubs.doors = opening.Doors(
        addressed=addressed,  # type: ignore[arg-type]
        locks=Locks,  # type: ignore[arg-type]
        instrument=stubs.open_instrument,  # type: ignore[arg-type]
        board=stubs.open_board,  # type: ignore[arg-type]
    )
    return stubs


def test_with_the_supply_proven_off_the_firmware_is_asked_and_its_pins_are_off_afterwards(stubs: Stubs) -> None:
    found = stubs.look()
    assert stubs.events == ["opened", *ASKED, "board closed"]
    assert stubs.safe_at_opening == ""
    assert "Pin" in stubs.board.make_safe_source  # a firmware that hangs is interrupted, and its pins with it
    assert any("firmware some_drive 1.0.0, wheel: paced own" in line for line in found.lines)


def test_an_arm_that_no_motor_lifts_is_said_and_the_rest_is_looked_at(stubs: Stubs) -> None:
    stubs.rig_file = spec(("mass_kg = { value = 0.205,", "mass_kg = { value = 205.0,"))
    found = stubs.look()
    assert found.code is ExitCode.USAGE
    assert found.problems[0].startswith("sluice.toml: motor.leaf.load: expected an arm of at most ")
    assert any("firmware some_drive" in line for line in found.lines)


def test_an_arm_that_is_heavy_for_the_limit_is_said_and_costs_no_exit_code(stubs: Stubs) -> None:
    light = stubs.look()
    stubs.rig_file = spec(("mass_kg = { value = 0.205,", "mass_kg = { value = 0.5,"))
    found = stubs.look()
    assert (found.code, found.problems) == (light.code, light.problems)
    (line,) = [line for line in found.lines if "motor.leaf.load" in line]
    assert "sluice.toml: motor.leaf.load: the arm pulls " in line
    assert line.endswith("it cannot be lifted to 90 degrees within this limit")


def test_pins_are_off_after_a_firmware_that_fails_as_well(stubs: Stubs) -> None:
    stubs.board.raises = DeviceError("ImportError")
    found = stubs.look()
    assert stubs.events == ["opened", *ASKED, "board closed"]
    assert found.code is ExitCode.BENCH


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("on", "the output of supply is on"),
        ("silent", "its supply was not asked"),
        ("battery", "nothing here can switch its power off"),
    ],
)
def test_firmware_that_may_have_power_runs_on_request_only(stubs: Stubs, source: str, words: str) -> None:
    stubs.supply.on = source == "on"
    stubs.silent = source == "silent"
    if source == "battery":
        stubs.rig_file = stubs.rig_file.model_copy(update={"instrument": {}})
    found = stubs.look()
    assert stubs.events == ["opened", "board closed"]
    assert any(
        line.startswith("--  firmware sluice_drive: not asked") and words in line and "--interrupt" in line
        for line in found.lines
    )
    stubs.events.clear()
    stubs.look(interrupt=True)
    assert stubs.events == ["opened, interrupted", *ASKED, "board closed"]
    assert stubs.safe_at_opening is not None
    assert "Pin" in stubs.safe_at_opening


@pytest.mark.parametrize(("kind", "hinted"), [(BoardBusy, True), (LinkError, False)])
def test_a_board_that_runs_something_can_be_stopped_on_request(stubs: Stubs, kind, hinted: bool) -> None:
    def refused(*_: object, **__: object) -> StubBoard:
        raise kind("port: not interrupted, says somebody")

    stubs.doors = replace(stubs.doors, board=refused)  # type: ignore[arg-type]
    (line,) = stubs.look().problems
    assert line.endswith("; --interrupt stops it, phases off first") is hinted
