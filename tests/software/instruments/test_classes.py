"""The three classes of instruments on a bench of constants, and their errors drawn by seed."""

from __future__ import annotations

import math
import random
import socket
import statistics

import pytest

from rigs_demo.instruments import ScpiServer, build_instruments
from rigs_demo.instruments.engine import Instrument
from rigs_demo.instruments.server import LONGEST_MESSAGE
from rigs_demo.instruments.wiring import ReadingError, Seeds
from tests.patience import PATIENCE_S

from .stub_bench import LOAD_OHM, RIG, TERMINALS_V, StubBench


def ask(instrument: Instrument, message: str) -> str:
    instrument.receive(message)
    return instrument.read()


def next_error(instrument: Instrument) -> int:
    return int(ask(instrument, "SYST:ERR?").split(",")[0])


def build(name: str, plant_seed: int | None = None, seed: int = 1) -> tuple[StubBench, Instrument]:
    bench = StubBench()
    servers = build_instruments(RIG, bench, plant_seed=plant_seed, seed=seed)
    for server in servers.values():
        server.close()
    return bench, servers[name].instrument


def test_supply_follows_its_settings() -> None:
    bench, supply = build("supply")
    supply.receive("SOUR1:VOLT:LEV:IMM:AMPL 12 V;:CURR 500 MA;:VOLT:PROT:LEV 14;:OUTP ON")
    stage = bench.plant.supply
    assert (stage.voltage_v, stage.current_limit_a, stage.protection_v, stage.state) == (12.0, 0.5, 14.0, "cc")
    assert ask(supply, "VOLT?;CURR?;VOLT:PROT?;:OUTP?") == "+1.20000000E+01;+5.00000000E-01;+1.40000000E+01;1"
    assert ask(supply, "VOLT? MAX;:CURR? MIN") == "+3.20000000E+01;+0.00000000E+00"
    assert float(ask(supply, "MEAS:VOLT?")) == pytest.approx(0.5 * LOAD_OHM, abs=0.02)
    assert float(ask(supply, "MEASURE:SCALAR:CURRENT:DC?")) == pytest.approx(0.5, abs=0.003)
    assert next_error(supply) == 0


def test_reset_switches_the_output_off() -> None:
    bench, supply = build("supply")
    supply.receive("VOLT 12;:OUTP ON")
    supply.receive("*RST")
    assert (bench.plant.supply.on, bench.plant.supply.voltage_v) == (False, 0.0)
    assert ask(supply, "OUTP?;:VOLT?") == "0;+0.00000000E+00"


def test_status_says_which_limit_holds_and_latches() -> None:
    _, supply = build("supply")
    supply.receive("CURR 1;VOLT 12;OUTP ON")
    assert ask(supply, "STAT:QUES:COND?") == "2"  # current not under control: constant voltage
    supply.receive("CURR 0.1")
    assert ask(supply, "STAT:QUES:COND?") == "1"
    assert ask(supply, "STAT:QUES?") == "3"
    assert ask(supply, "STAT:QUES?") == "0"
    supply.receive("OUTP OFF")
    assert ask(supply, "STAT:QUES:COND?") == "0"


def test_protection_trips_holds_and_clears() -> None:
    bench, supply = build("supply")
    supply.receive("VOLT 12;VOLT:PROT 10;:OUTP ON")
    assert ask(supply, "VOLT:PROT:TRIP?;:OUTP?") == "1;0"
    supply.receive("OUTP ON")
    assert next_error(supply) == -221
    assert not bench.plant.supply.on
    supply.receive("VOLT 9;VOLT:PROT:CLE;:OUTP ON")
    assert ask(supply, "VOLT:PROT:TRIP?;:OUTP?") == "0;1"


@pytest.mark.parametrize("message", ["VOLT 33", "CURR -1", "VOLT:PROT 0", "OUTP MAYBE", "VOLT? 3"])
def test_supply_refuses_and_keeps_what_it_had(message: str) -> None:
    bench, supply = build("supply")
    supply.receive("VOLT 5;CURR 1;VOLT:PROT 6")
    supply.receive(message)
    assert next_error(supply) in {-222, -224}
    stage = bench.plant.supply
    assert (stage.voltage_v, stage.current_limit_a, stage.protection_v, stage.on) == (5.0, 1.0, 6.0, False)


def test_multimeter_averages_over_its_aperture_only() -> None:
    bench, meter = build("meter")
    assert float(ask(meter, "READ?")) == pytest.approx(TERMINALS_V[1][1], abs=0.01)
    bench.plant.terminals_v = ((0.0,) * 3, (0.0, 8.0, 0.0))
    assert bench.ran_ns == 20_000_000
    assert float(ask(meter, "VOLT:DC:NPLC 5;:READ?")) == pytest.approx(8.0, abs=0.01)
    assert bench.ran_ns == 120_000_000
    assert float(ask(meter, "VOLT:APER?")) == pytest.approx(0.1)


def test_the_other_way_round_reads_the_other_sign() -> None:
    rig = {**RIG, "instrument": {"meter": {**RIG["instrument"]["meter"], "across": ["leaf.A", "leaf.C"]}}}  # type: ignore[index]
    servers = build_instruments(rig, StubBench(), plant_seed=None, seed=1)
    servers["meter"].close()
    assert float(ask(servers["meter"].instrument, "READ?")) == pytest.approx(-TERMINALS_V[0][2], abs=0.01)


def test_multimeter_counts_triggers_and_fetches() -> None:
    _, meter = build("meter")
    assert next_error(meter) == 0
    meter.receive("FETC?")
    assert next_error(meter) == -230
    assert len(ask(meter, "SAMP:COUN 3;:INIT;*OPC?;:FETC?").split(",")) == 3
    assert len(ask(meter, "CONF:VOLT:DC 10;:READ?").split(",")) == 1  # CONFigure puts the count back
    meter.receive("TRIG:SOUR BUS;:READ?")
    assert next_error(meter) == -214
    meter.receive("*TRG")
    assert next_error(meter) == -211
    meter.receive("INIT;INIT")
    assert next_error(meter) == -213
    assert float(ask(meter, "*TRG;:FETC?")) == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(("volts", "reading"), [(1.3, "+9.90000000E+37"), (-1.3, "-9.90000000E+37")])
def test_multimeter_over_range(volts: float, reading: str) -> None:
    bench, meter = build("meter")
    bench.plant.terminals_v = ((0.0,) * 3, (0.0, volts, 0.0))
    assert ask(meter, "CONF:VOLT 1;:READ?") == reading
    assert float(ask(meter, "VOLT:RANG:AUTO ON;:READ?")) == pytest.approx(volts, abs=0.01)


def test_thermometer_in_its_units() -> None:
    _, thermometer = build("thermometer")
    celsius, kelvin, fahrenheit = (
        float(ask(thermometer, f"UNIT:TEMP {unit};:{command}"))
        for unit, command in (("C", "MEAS:TEMP?"), ("K", "FETC?"), ("F", "FETC?"))
    )
    assert celsius == pytest.approx(21.0, abs=0.55)
    assert kelvin == pytest.approx(celsius + 273.15)
    assert fahrenheit == pytest.approx(celsius * 1.8 + 32.0)


def test_same_seeds_same_readings_and_each_instrument_its_own_noise() -> None:
    def readings(plant_seed: int | None, seed: int) -> list[str]:
        return ask(build("meter", plant_seed, seed)[1], "SAMP:COUN 5;:READ?").split(",")

    assert readings(None, 1) == readings(None, 1)
    assert readings(None, 1) != readings(None, 2)
    assert readings(3, 1) != readings(4, 1)
    seeds = Seeds(plant=1, run=1)
    first, other = (seeds.reading_error(name, "voltage", {}, noise=1.0, resolution=1e-9) for name in ("a", "b"))
    assert first.read(0.0) != other.read(0.0)


def test_gain_and_offset_stay_for_a_plant_whatever_the_run() -> None:
    accuracy = {"percent": 1.0, "offset": 0.5}

    def drawn(plant: int, run: int) -> ReadingError:
        return Seeds(plant=plant, run=run).reading_error("meter", "voltage", accuracy, noise=0.0, resolution=1e-9)

    assert (drawn(1, 1).gain, drawn(1, 1).offset) == (drawn(1, 2).gain, drawn(1, 2).offset)
    gains = [drawn(plant, 1).gain for plant in range(400)]
    offsets = [drawn(plant, 1).offset for plant in range(400)]
    for values, half_width in ((gains, 0.01), (offsets, 0.5)):
        assert max(map(abs, values)) <= half_width
        # Even over the half-width: its standard deviation is half-width / sqrt(3), to four of its own at n = 400.
        assert statistics.pstdev(values) == pytest.approx(half_width / math.sqrt(3.0), rel=0.1)
        assert abs(statistics.fmean(values)) < 4.0 * half_width / math.sqrt(3.0 * 400.0)


def test_noise_falls_with_the_root_of_the_aperture() -> None:
    error = ReadingError(gain=0.0, offset=0.0, noise=1.0, resolution=1e-9, stream=random.Random(1))
    assert statistics.pstdev([error.read(0.0, 1.0) for _ in range(2000)]) == pytest.approx(1.0, rel=0.07)
    assert statistics.pstdev([error.read(0.0, 100.0) for _ in range(2000)]) == pytest.approx(0.1, rel=0.07)


def test_reading_is_true_with_gain_and_offset() -> None:
    error = ReadingError(gain=0.01, offset=0.5, noise=0.0, resolution=1e-3, stream=random.Random(1))
    assert error.read(10.0) == pytest.approx(10.6, abs=1e-9)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"class": "scope"}, "supply, multimeter or thermometer expected, found 'scope'"),
        ({"class": "multimeter", "across": ["leaf.A", "wheel.B"]}, "two terminals of one motor expected"),
        ({"class": "multimeter", "across": ["leaf.A", "leaf.A"]}, "two terminals of one motor expected"),
        ({"class": "multimeter", "across": ["sluice.A", "sluice.B"]}, "two terminals of one motor expected"),
    ],
)
def test_an_instrument_that_cannot_be_built_is_refused(entry: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        build_instruments({**RIG, "instrument": {"odd": entry}}, StubBench(), plant_seed=None, seed=1)


def turn(server: ScpiServer) -> None:
    for _ in range(3):
        server.serve(server.sockets())


def connect(server: ScpiServer) -> socket.socket:
    client = socket.create_connection(server._listener.getsockname())
    client.settimeout(PATIENCE_S)
    turn(server)
    return client


@pytest.fixture
def server() -> ScpiServer:
    return build_instruments(
        {**RIG, "instrument": {"supply": RIG["instrument"]["supply"]}}, StubBench(), plant_seed=None, seed=1
    )["supply"]


def test_server_takes_messages_in_pieces_and_several_at_once(server: ScpiServer) -> None:
    with connect(server) as client:
        client.sendall(b"*OP")
        turn(server)
        client.sendall(b"C?\r\n*OPC?\nSYST:VERS?\n")
        turn(server)
        assert client.recv(100) == b"1\n1\n1999.0\n"
    turn(server)
    assert server.client_count == 0
    server.close()


def test_server_drops_an_endless_message_and_goes_on(server: ScpiServer) -> None:
    with connect(server) as client:
        client.sendall(b"V" * (LONGEST_MESSAGE + 5000))
        for _ in range(10):
            turn(server)
        client.sendall(b"OLT 5\nSYST:ERR?\nVOLT?\n")
        turn(server)
        assert client.recv(100) == b'-363,"Input buffer overrun"\n+0.00000000E+00\n'
    server.close()


def test_server_keeps_clients_apart(server: ScpiServer) -> None:
    with connect(server) as client, connect(server) as other_client:
        client.sendall(b"VOLT 7;VOL")
        other_client.sendall(b"*OPC?\n")
        turn(server)
        assert other_client.recv(100) == b"1\n"
        client.close()
        turn(server)
        other_client.sendall(b"VOLT?\n")
        turn(server)
        assert other_client.recv(100) == b"+0.00000000E+00\n"
    server.close()
