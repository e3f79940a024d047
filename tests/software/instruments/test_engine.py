"""IEEE 488.2 behaviour that every instrument shares: status, error queue, queries interrupted and unterminated."""

from __future__ import annotations

from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from rigs_demo.instruments.engine import Instrument
from rigs_demo.instruments.errors import DEPTH, ErrorQueue, ScpiError
from rigs_demo.instruments.supply import SupplyInstrument
from rigs_demo.instruments.wiring import Seeds
from tests.reference.cases import cases

from .stub_bench import StubBench

BITS = {name: entry["value"] for name, entry in cases()["status-bits"].expect.items()}
"""Weights by the standard's table."""


def ask(instrument: Instrument, message: str) -> str:
    instrument.receive(message)
    return instrument.read()


@pytest.fixture
def instrument() -> Instrument:
    fresh = Instrument("maker,SIMULATED model,0,0")
    assert ask(fresh, "*ESR?") == "128"  # power on, once
    return fresh


def test_mandatory_scpi_commands(instrument: Instrument) -> None:
    for command in ("SYST:ERR?", "SYSTem:ERRor:NEXT?", "SYST:VERS?"):
        assert ask(instrument, command)
    for register in ("STATus:OPERation", "stat:ques"):
        for node in ("?", ":EVENt?", ":CONDition?", ":ENABle?"):
            assert ask(instrument, register + node) == "0"
        instrument.receive(register + ":ENAB 65535")
        assert ask(instrument, register + ":ENAB?") == "32767"
    instrument.receive("STATus:PRESet")
    assert ask(instrument, "STAT:OPER:ENAB?;:STAT:QUES:ENAB?") == "0;0"
    assert ask(instrument, "SYST:VERS?") == "1999.0"
    assert len(ask(instrument, "*IDN?").split(",")) == 4


@pytest.mark.parametrize(
    ("message", "error", "name"),
    [
        ("NONSENSE", -113, "esr_command_error"),
        ("*ESE 999", -222, "esr_execution_error"),
        ("*OPC", 0, "esr_operation_complete"),
    ],
)
def test_event_status_weights(instrument: Instrument, message: str, error: int, name: str) -> None:
    """Weights of the event status register (status-bits)."""
    instrument.receive(message)
    assert ask(instrument, "*ESR?") == str(BITS[name])
    assert ask(instrument, "*ESR?") == "0"
    assert int(ask(instrument, "SYST:ERR?").split(",")[0]) == error


def test_device_and_query_errors_have_their_weights(instrument: Instrument) -> None:
    instrument.report(ScpiError(-363))
    assert ask(instrument, "*ESR?") == str(BITS["esr_device_error"])
    instrument.report(ScpiError(7))
    assert ask(instrument, "*ESR?") == str(BITS["esr_device_error"])
    instrument.read()
    assert ask(instrument, "*ESR?") == str(BITS["esr_query_error"])


def test_status_byte_weights(instrument: Instrument) -> None:
    """Weights of the status byte (status-bits)."""
    assert ask(instrument, "*STB?") == "0"
    instrument.receive("NONSENSE")
    assert int(ask(instrument, "*STB?")) == BITS["stb_error_queue"]
    instrument.receive("*ESE 32")
    assert int(ask(instrument, "*STB?")) == BITS["stb_error_queue"] + BITS["stb_event_summary"]
    instrument.receive("*SRE 255")
    assert ask(instrument, "*SRE?") == "191"  # bit 6 cannot be enabled
    assert int(ask(instrument, "*STB?")) & BITS["stb_service_request"]
    assert int(ask(instrument, "*IDN?;*STB?").split(";")[1]) & BITS["stb_message_available"]
    instrument.receive("*CLS")
    assert ask(instrument, "*STB?") == "0"
    instrument.status.operation.enable = 1
    instrument.status.operation.show(1)
    instrument.status.questionable.enable = 2
    instrument.status.questionable.show(2)
    assert int(ask(instrument, "*STB?")) & 0b10001000 == BITS["stb_operation"] + BITS["stb_questionable"]


def test_reset_leaves_status_alone_and_clear_leaves_masks_alone(instrument: Instrument) -> None:
    instrument.receive("*ESE 60;*SRE 16;NONSENSE")
    instrument.receive("*RST")
    assert ask(instrument, "*ESE?;*SRE?;*ESR?") == "60;16;32"
    assert ask(instrument, "SYST:ERR:COUN?") == "1"
    instrument.receive("*CLS")
    assert ask(instrument, "*ESE?;*SRE?;*ESR?;SYST:ERR:COUN?") == "60;16;0;0"


def test_a_new_message_before_the_reply_was_read_interrupts(instrument: Instrument) -> None:
    instrument.receive("*IDN?")
    instrument.receive("*OPC?")
    assert instrument.read() == "1"
    assert ask(instrument, "SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_reading_with_nothing_asked_is_unterminated(instrument: Instrument) -> None:
    assert instrument.read() == ""
    assert ask(instrument, "SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_after_a_command_error_the_rest_is_dropped_after_an_execution_error_not(instrument: Instrument) -> None:
    assert ask(instrument, "*OPC?;*ESE 999;*OPC?") == "1;1"
    assert ask(instrument, "*OPC?;NONSENSE;*OPC?") == "1"


@pytest.mark.parametrize(
    ("message", "number"), [("*ESE", -109), ("*CLS 1", -108), ("*ESE 1,2", -108), ("*IDN", -113), ("*RST?", -113)]
)
def test_parameters_and_forms_that_are_refused(instrument: Instrument, message: str, number: int) -> None:
    instrument.receive(message)
    assert int(ask(instrument, "SYST:ERR?").split(",")[0]) == number


class QueueAgainstModel(RuleBasedStateMachine):
    """The error queue against the standard's words: keep the oldest, replace the newest by -350 when full."""

    def __init__(self) -> None:
        super().__init__()
        self.queue = ErrorQueue()
        self.model: deque[int] = deque()

    @rule(number=st.sampled_from([-113, -222, -410, 5]))
    def add(self, number: int) -> None:
        self.queue.add(ScpiError(number, 'with "quotes" ' * 30))
        if len(self.model) == DEPTH:
            self.model[DEPTH - 1] = -350
        else:
            self.model.append(number)

    @rule()
    def take(self) -> None:
        entry = self.queue.next()
        assert int(entry.split(",")[0]) == (self.model.popleft() if self.model else 0)
        assert entry.count('"') == 2
        assert len(entry) < 255 + 10

    @rule()
    def clear(self) -> None:
        self.queue.clear()
        self.model.clear()

    @invariant()
    def same_length(self) -> None:
        assert len(self.queue) == len(self.model)


TestQueueAgainstModel = QueueAgainstModel.TestCase


def test_a_flood_of_errors_keeps_the_first(instrument: Instrument) -> None:
    for _ in range(DEPTH + 20):
        instrument.receive("NONSENSE")
    entries = [int(ask(instrument, "SYST:ERR?").split(",")[0]) for _ in range(DEPTH + 1)]
    assert entries == [-113] * (DEPTH - 1) + [-350, 0]


PIECES = st.sampled_from(
    [
        "*IDN?",
        "VOLT",
        ":",
        ";",
        " ",
        ",",
        "12",
        "99 V",
        "MAX",
        "OUTP",
        "ON",
        "?",
        "*RST",
        "'",
        '"',
        "#13",
        "\x00",
        "\xff",
        "CURR:PROT",
    ]
)


@given(st.lists(st.lists(PIECES, max_size=12).map("".join), max_size=8))
def test_no_message_breaks_an_instrument(messages: list[str]) -> None:
    supply = SupplyInstrument("supply", StubBench(), {}, Seeds(plant=None, run=1))
    for message in messages:
        supply.receive(message)
        if supply.reply_waiting:
            assert "\n" not in supply.read()
    assert ask(supply, "*IDN?").startswith("Rotorgate,SIMULATED DC supply,supply,")
