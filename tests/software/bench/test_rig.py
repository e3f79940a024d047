"""The rig on stubs: limits, the order of power, what makes safe after what."""

from __future__ import annotations

import math
import os
import signal
from typing import Any

import pytest

from harness.base.errors import BenchError, LinkLost, LinkTimeout, MissingCapability, StoppedByBoard, UsageError
from harness.bench import source
from harness.bench.rig import Rig
from harness.bench.safe import StepOutcome, StopSignal, stop_on_signals
from harness.bench.supply import OutputState
from harness.nouns.mounting import Mounting
from tests.software.bench.stubs import StubGuard, StubSupply, stub_rig
from tests.software.bench.test_source import spec


@pytest.fixture
def events() -> list[str]:
    return []


@pytest.fixture
def supply(events: list[str]) -> StubSupply:
    return StubSupply(events)


@pytest.fixture
def rig(events: list[str], supply: StubSupply) -> Rig:
    return stub_rig(events, supply=supply)


@pytest.mark.parametrize(
    ("outside", "within", "words"),
    [
        ({"phase_current_a": 1.01}, {"phase_current_a": 1.0}, r"^phase current 1\.01 A, limit 1 A$"),
        ({"phase_current_a": -1.2}, {"phase_current_a": -0.9}, r"^phase current -1\.2 A, limit 1 A$"),
        (
            {"winding_temperature_c": 91.0},
            {"winding_temperature_c": 89.0},
            r"^winding temperature 91 degC, limit 90 degC$",
        ),
        ({"driver_temperature_c": 85.5}, {"driver_temperature_c": 85.0}, r"^driver temperature 85\.5 degC, limit 85"),
    ],
)
def test_a_limit_stops_beyond_it_and_not_at_it(rig: Rig, outside: Any, within: Any, words: str) -> None:
    rig.check_limits(**within)
    with pytest.raises(StoppedByBoard, match=words):
        rig.check_limits(**outside)


def test_what_has_no_limit_or_was_not_read_is_not_checked(events: list[str]) -> None:
    rig = stub_rig(events, rig_file=spec(("driver_temperature_c = 85.0", "")))
    rig.check_limits()
    rig.check_limits(driver_temperature_c=500.0)


def test_power_comes_on_once_with_its_limits_set_before(rig: Rig, events: list[str]) -> None:
    rig.power_on()
    rig.power_on()
    assert events == ["configure 12 1.5 14", "output on"]
    assert rig.powered


def test_a_supply_at_its_current_limit_is_refused_and_counts_as_on(rig: Rig, supply: StubSupply) -> None:
    supply.comes_on_as = OutputState.CONSTANT_CURRENT
    with pytest.raises(BenchError, match=r"supply: at its current limit of 1\.5 A although nothing was energised"):
        rig.power_on()
    assert rig.powered


def test_a_supply_without_limits_in_the_rig_file_stays_off(rig: Rig, events: list[str]) -> None:
    section = rig.spec.supply.model_copy(update={"protection_v": None})
    rig.spec = rig.spec.model_copy(update={"supply": section})
    with pytest.raises(UsageError, match="supply: expected current_limit_a and protection_v"):
        rig.power_on()
    assert events == []


def test_nothing_is_energised_without_a_guard_that_watches(events: list[str], supply: StubSupply) -> None:
    guard = StubGuard(events)
    rig = stub_rig(events, supply=supply, guard=guard)
    rig.power_on()
    rig.script("fields", "serve")
    assert rig.board.before_beat is not None
    rig.board.before_beat()
    guard.dead = True
    before = list(events)
    with pytest.raises(BenchError, match="guard of the supply has ended"):
        rig.board.before_beat()  # while a script runs, as often as its deadman is fed
    with pytest.raises(BenchError, match="guard of the supply has ended"):
        rig.power_on()  # asked again before each check, with the output on
    with pytest.raises(BenchError, match="guard of the supply has ended"):
        rig.script("fields", "serve")
    assert events == before


def test_while_time_passes_the_guard_is_looked_at_each_second_of_it(events: list[str], supply: StubSupply) -> None:
    guard = StubGuard(events)
    rig = stub_rig(events, supply=supply, guard=guard)
    clock = StubClock(guard)
    rig.clock = clock  # type: ignore[assignment]
    rig.pass_time(2.5)
    assert clock.slept == [1.0, 1.0, 0.5]
    clock.slept.clear()
    clock.dies_s = clock.now + 3.0
    with pytest.raises(BenchError, match="guard of the supply has ended"):
        rig.pass_time(8.0)
    assert clock.slept == [1.0, 1.0, 1.0]


class StubClock:
    """A wall's clock that moves where it is told to; `guard` is dead from `dies_s` on."""

    def __init__(self, guard: StubGuard) -> None:
        self.guard, self.now, self.dies_s = guard, 0.0, math.inf
        self.slept: list[float] = []

    def now_s(self) -> float:
        return self.now

    def sleep_s(self, seconds: float) -> None:
        self.now += seconds
        self.slept.append(seconds)
        self.guard.dead = self.now >= self.dies_s


def test_made_safe_phases_before_supply(rig: Rig, events: list[str], supply: StubSupply) -> None:
    rig.power_on()
    events.clear()
    assert rig.make_safe() == ()
    assert events == ["phases off", "output off"]
    assert not rig.powered
    assert not supply.on


def test_a_supply_that_cannot_be_switched_off_counts_as_on_whoever_switched_it_on(rig: Rig, supply: StubSupply) -> None:
    supply.on = supply.stuck = True
    assert rig.make_safe() == (StepOutcome(step="supply off", trouble="supply: does not answer"),)
    assert rig.powered
    supply.stuck = False
    assert rig.make_safe() == ()
    assert not rig.powered


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="signals of POSIX")
def test_a_signal_while_it_is_made_safe_does_not_hide_that_the_supply_is_on(rig: Rig, supply: StubSupply) -> None:
    supply.on = supply.stuck = True
    interrupt = rig.board.interrupt

    def interrupted(timeout_s: float) -> None:
        signal.raise_signal(signal.SIGINT)
        interrupt(timeout_s)

    rig.board.interrupt = interrupted  # type: ignore[method-assign]
    with pytest.raises(StopSignal, match="Ctrl-C"):
        rig.make_safe()
    assert rig.powered


def test_only_a_lost_link_sends_the_supply_off_without_asking_the_board(rig: Rig, events: list[str]) -> None:
    rig.note_trouble(LinkTimeout("port: script did not give a frame; printed 'lost while reading'"))
    rig.make_safe()
    assert events == ["phases off", "output off"]
    events.clear()
    rig.note_trouble(LinkLost("port: gone"))
    rig.note_trouble(LinkTimeout("port: whatever came of it later"))
    rig.make_safe()
    assert events == ["output off"]


def test_nothing_is_said_to_be_off_that_nobody_could_switch(rig: Rig, events: list[str]) -> None:
    battery = stub_rig(events)
    assert rig.switched_off() == "phases off; supply output off"
    assert battery.switched_off().startswith("phases off; this rig has no supply that could be switched")
    for bench in (rig, battery):
        bench.note_trouble(LinkLost("port: gone"))
        assert bench.switched_off().startswith("the link was lost, the phases are left to the board's own timer")
        assert "phases off" not in bench.switched_off()
    assert rig.switched_off().endswith("; supply output off")
    assert battery.switched_off().endswith("SWITCH THE POWER OFF BY HAND")


def test_after_a_stop_the_bench_is_had_back_with_the_supply_proven_off(
    rig: Rig, events: list[str], supply: StubSupply
) -> None:
    supply.on = True
    with pytest.raises(BenchError, match="supply: its output is still on after it was switched off"):
        rig.bring_back()
    assert events == ["enter", "soft reset", "pins off"]


def test_a_firmware_that_gives_no_answer_is_the_bench_s_trouble(rig: Rig) -> None:
    with pytest.raises(BenchError, match="firmware sluice_drive: expected what it declares, found no answer"):
        rig.ask_firmware()


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_a_signal_amid_the_keeping_of_an_observation_waits_until_it_is_kept(events: list[str]) -> None:
    kept: list[object] = []

    def slowly(observation: object) -> None:
        signal.raise_signal(signal.SIGINT)
        kept.append(observation)

    rig = stub_rig(events, on_observation=slowly)
    with stop_on_signals(), pytest.raises(StopSignal, match="Ctrl-C"):
        rig.keep("seen")  # type: ignore[arg-type]
    assert kept == ["seen"]


UNPLACED = spec(
    ("hang_reading_rad = { value = 2.00, tolerance = 0.08 }", ""),
    ("electrical_offset_rad = { value = 0.80, tolerance = 0.08 }", ""),
    ("direction = 1", ""),
)


def test_what_the_rig_file_states_of_a_mounting_stands_whatever_was_measured(rig: Rig) -> None:
    rig.note_mounting("leaf", {"hang_reading": 2.5, "offset": 0.1, "direction": -1.0})
    assert rig.mounting("leaf") == Mounting(direction=1, offset_rad=0.8, hang_rad=2.0)


def test_what_it_leaves_out_is_as_measured_and_travel_is_supervised_about_it(events: list[str]) -> None:
    rig = stub_rig(events, rig_file=UNPLACED)
    words = "motor.leaf.load.hang_reading_rad, motor.leaf.electrical_offset_rad"
    with pytest.raises(MissingCapability, match=words):
        rig.mounting("leaf")
    assert rig.hang_rad("leaf") is None
    rig.note_mounting("leaf", {"hang_reading": 2.03, "offset": 0.79, "direction": 0.0})
    with pytest.raises(MissingCapability, match=r"nobody knows motor\.leaf\.direction: state it"):
        rig.mounting("leaf")  # nothing has moved when the field turned
    rig.note_mounting("leaf", {"hang_reading": 2.03, "offset": 0.79, "direction": 1.0})
    assert rig.mounting("leaf") == Mounting(direction=1, offset_rad=0.79, hang_rad=2.03)
    assert source.hang_counts(UNPLACED, {"leaf": 2.03})[0] == round(2.03 / math.tau * 32768)
