"""Each driver against the instrument that speaks the standard, over real sockets."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from harness.base.clock import WallClock
from harness.base.errors import InstrumentError, UsageError
from harness.bench.multimeter import Multimeter
from harness.bench.opening import open_board, open_instrument
from harness.bench.supply import OutputState, Supply
from harness.bench.thermometer import Thermometer
from harness.bench.visa import Session
from harness.link.board import Board
from harness.rigfile import loads
from harness.rigfile.spec import Instrument
from tests.software.run.fakes import SLUICE

from ..instruments.stub_bench import LOAD_OHM, RIG, TERMINALS_V
from .conftest import Served, accuracy


@pytest.fixture
def supply(instruments: Served) -> Iterator[Supply]:
    with Supply(
        Session.open("supply", instruments.address("supply")),
        voltage_accuracy=accuracy("supply", "voltage_accuracy"),
        current_accuracy=accuracy("supply", "current_accuracy"),
    ) as opened:
        yield opened


@pytest.fixture
def meter(instruments: Served) -> Iterator[Multimeter]:
    with Multimeter(
        Session.open("meter", instruments.address("meter")), voltage_accuracy=accuracy("meter", "voltage_accuracy")
    ) as opened:
        yield opened


def test_opening_sends_queries_only_and_knows_that_it_is_simulated(instruments: Served, supply: Supply) -> None:
    stage = instruments.bench.plant.supply
    stage.history.clear()
    assert "SIMULATED" in supply.identity
    assert supply.session.found_errors == ()
    assert stage.history == []


def test_supply_sets_limits_reads_them_back_and_switches(instruments: Served, supply: Supply) -> None:
    stage = instruments.bench.plant.supply
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
    assert (stage.voltage_v, stage.current_limit_a, stage.protection_v, stage.on) == (12.0, 1.5, 14.0, False)
    assert supply.state() is OutputState.OFF
    supply.output_on()
    assert stage.on
    assert supply.state() is OutputState.CONSTANT_VOLTAGE
    supply.output_off()
    assert not stage.on


def test_output_does_not_come_on_before_its_limits_are_set(instruments: Served, supply: Supply) -> None:
    with pytest.raises(InstrumentError, match=r"^instrument supply at TCPIP0::127.*limits were not set and read back"):
        supply.output_on()
    assert not instruments.bench.plant.supply.on


def test_a_refused_limit_leaves_the_supply_unusable(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
    with pytest.raises(InstrumentError, match=r"refused VOLT 99.0: -222 Data out of range"):
        supply.configure(voltage_v=99.0, current_limit_a=1.5, protection_v=14.0)
    with pytest.raises(InstrumentError, match="limits were not set"):
        supply.output_on()


def test_over_voltage_protection_shows_and_is_cleared(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=10.0)
    with pytest.raises(InstrumentError, match="output should be on; it is switched off by its over-voltage protection"):
        supply.output_on()
    assert supply.state() is OutputState.OVER_VOLTAGE
    supply.session.setting("VOLT:PROT:CLE")  # as a person does at its panel
    assert supply.state() is OutputState.OFF


def test_constant_current_shows(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=0.1, protection_v=14.0)
    assert supply.output_on() is OutputState.CONSTANT_CURRENT
    assert supply.state() is OutputState.CONSTANT_CURRENT


def test_readings_lie_within_the_accuracy_and_carry_it(supply: Supply) -> None:
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
    supply.output_on()
    voltage, current = supply.measure_voltage(), supply.measure_current()
    assert abs(voltage.value - 12.0) < voltage.half_width + 1.5e-3  # five of its noise's standard deviations
    assert abs(current.value - 12.0 / LOAD_OHM) < current.half_width + 2.5e-4
    quantity = voltage.quantity()
    assert set(quantity.budget) == {"instrument.supply.voltage_gain", "instrument.supply.voltage_offset"}
    assert quantity.u == pytest.approx(math.hypot(voltage.value * 0.0005, 0.005) / math.sqrt(3.0))
    assert not set(quantity.budget) & set(current.quantity().budget)


def test_multimeter_reads_its_two_terminals_over_its_aperture(instruments: Served, meter: Multimeter) -> None:
    before_ns = instruments.bench.ran_ns
    reading = meter.measure_voltage(cycles=10.0)
    assert instruments.bench.ran_ns - before_ns == 200_000_000
    assert abs(reading.value - TERMINALS_V[1][1]) < reading.half_width + 1e-4


def test_spread_of_several_readings_is_their_noise(meter: Multimeter) -> None:
    reading = meter.measure_voltage(samples=20)
    assert reading.noise_dof == 19
    assert 0.0 < reading.noise_u < 2e-5  # 20 uV / sqrt(20), far from more than four times that
    noise = [key for key in reading.quantity().budget if "noise" in key]
    assert noise == ["instrument.meter.voltage_noise_1"]
    assert meter.measure_voltage(samples=2).quantity().budget.keys() != reading.quantity().budget.keys()


def test_over_range_is_an_error_and_never_a_number(meter: Multimeter) -> None:
    with pytest.raises(InstrumentError, match=r"meter at .*: READ\?: over range \(\+9.9\d*E\+37\)"):
        meter.measure_voltage(range_v=1.0)


def test_no_samples_is_refused(meter: Multimeter) -> None:
    with pytest.raises(ValueError, match="samples: at least 1 expected, found 0"):
        meter.measure_voltage(samples=0)


def test_thermometer_reads_celsius_whatever_it_woke_in(instruments: Served) -> None:
    instruments.servers["thermometer"].instrument.receive("UNIT:TEMP F")
    with Thermometer(
        Session.open("thermometer", instruments.address("thermometer")),
        temperature_accuracy=accuracy("thermometer", "temperature_accuracy"),
    ) as thermometer:
        reading = thermometer.measure_temperature()
    assert reading.unit == "degC"
    assert abs(reading.value - 21.0) < 0.5 + 0.05
    assert set(reading.quantity().budget) == {"instrument.thermometer.temperature_offset"}


@pytest.mark.parametrize(("name", "driver"), [("supply", Supply), ("meter", Multimeter), ("thermometer", Thermometer)])
def test_the_rig_files_class_chooses_the_driver(instruments: Served, name: str, driver: type) -> None:
    accuracies = {key: value for key, value in RIG["instrument"][name].items() if key.endswith("_accuracy")}
    given = {"class": RIG["instrument"][name]["class"], "address": instruments.address(name), "timeout_s": 0.7}
    entry = Instrument.model_validate({**given, **accuracies, "identity": "SIMULATED"})
    with open_instrument(name, entry, WallClock()) as opened:
        assert type(opened) is driver
        assert opened.session.timeout_s == 0.7
    with pytest.raises(InstrumentError, match=f"instrument {name} at .*should contain 'other'"):
        open_instrument(name, entry.model_copy(update={"identity": "other"}), WallClock())
    lacking = entry.model_copy(update=dict.fromkeys(accuracies))
    with pytest.raises(UsageError, match=rf"^instrument\.{name}: a {entry.class_} needs its accuracies"):
        open_instrument(name, lacking, WallClock())


def test_the_board_is_opened_at_the_rig_files_baud_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[dict[str, object]] = []
    monkeypatch.setattr(Board, "open", lambda url, clock, **given: opened.append({"url": url, **given}))
    text = SLUICE.read_text().replace("[board]", "[board]\nbaud = 921600")
    open_board(loads(text.encode(), "sluice.toml"), WallClock(), interrupt=True, make_safe_source="off")
    assert opened == [
        {"url": "simulated:sluice", "baudrate": 921600, "interrupt": True, "make_safe_source": "off"},
    ]
