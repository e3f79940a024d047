"""One contract for the drivers, over instruments on a stub of constants and on the whole simulated bench."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.base.clock import BenchClock
from harness.base.errors import InstrumentError
from harness.bench.multimeter import Multimeter
from harness.bench.supply import OutputState, Supply
from harness.bench.thermometer import Thermometer
from harness.bench.visa import Session
from harness.rigfile import load
from harness.rigfile.known import Accuracy
from tests.patience import PATIENCE_S
from tests.software.instruments.stub_bench import served

ENTRY = Accuracy(percent=0.5, offset=0.6)  # wider than any instrument here: the contract is not about accuracy


@dataclass(frozen=True)
class Addresses:
    supply: str
    meter: str
    thermometer: str


@contextmanager
def stub() -> Iterator[Addresses]:
    with served() as (_, servers):
        yield Addresses(*(servers[name].address for name in ("supply", "meter", "thermometer")))


@contextmanager
def simulated_bench() -> Iterator[Addresses]:
    pytest.importorskip("micropython_unix", reason="no MicroPython for this machine")
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "rigs_demo", "sluice", "--seed", "1"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        spec = load(Path(json.loads(process.stdout.readline())["rig_file"]))
        assert spec.clock is not None
        clock = BenchClock(spec.clock.address)
        yield Addresses(*(spec.instrument[name].address for name in ("supply", "meter_leaf", "thermometer")))
        clock.close()
        process.wait(PATIENCE_S)
    finally:
        process.kill()
        process.communicate()


@pytest.fixture(scope="module", params=[stub, pytest.param(simulated_bench, marks=pytest.mark.board)])
def addresses(request: pytest.FixtureRequest) -> Iterator[Addresses]:
    with ExitStack() as stack:
        yield stack.enter_context(request.param())


@pytest.fixture
def supply(addresses: Addresses) -> Iterator[Supply]:
    with Supply(Session.open("supply", addresses.supply), voltage_accuracy=ENTRY, current_accuracy=ENTRY) as opened:
        yield opened
        opened.output_off()


def test_says_that_it_is_simulated(addresses: Addresses) -> None:
    for address in (addresses.supply, addresses.meter, addresses.thermometer):
        with Session.open("one", address) as session:
            assert "SIMULATED" in session.identity


def test_supply_switches_and_reads_its_own_terminals(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
    assert supply.state() is OutputState.OFF
    assert supply.measure_voltage().value == pytest.approx(0.0, abs=0.1)
    assert supply.output_on() is OutputState.CONSTANT_VOLTAGE
    assert supply.measure_voltage().value == pytest.approx(12.0, rel=0.02)
    assert supply.measure_current().value > 0.0
    supply.output_off()
    assert supply.state() is OutputState.OFF
    assert supply.measure_current().value == pytest.approx(0.0, abs=0.01)


def test_over_voltage_protection_holds_until_cleared(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=9.0)
    with pytest.raises(InstrumentError, match="over-voltage protection"):
        supply.output_on()
    assert supply.state() is OutputState.OVER_VOLTAGE
    with pytest.raises(InstrumentError, match="-221 Settings conflict"):
        supply.output_on()
    supply.session.setting("VOLT:PROT:CLE")  # as a person does at its panel
    assert supply.state() is OutputState.OFF
    # Capacitors behind the output may still hold more than the old protection allows.
    supply.configure(voltage_v=8.0, current_limit_a=1.5, protection_v=14.0)
    assert supply.output_on() is OutputState.CONSTANT_VOLTAGE


def test_multimeter_and_thermometer_read(addresses: Addresses) -> None:
    with (
        Multimeter(Session.open("meter", addresses.meter), voltage_accuracy=ENTRY) as meter,
        Thermometer(Session.open("thermometer", addresses.thermometer), temperature_accuracy=ENTRY) as thermometer,
    ):
        assert meter.measure_voltage(cycles=2.0, samples=3).noise_u > 0.0
        assert 10.0 < thermometer.measure_temperature().value < 35.0


def test_a_refusal_says_why(addresses: Addresses) -> None:
    with (
        Session.open("supply", addresses.supply) as session,
        pytest.raises(InstrumentError, match="refused VOLT 99: -222 Data out of range"),
    ):
        session.setting("VOLT 99")
