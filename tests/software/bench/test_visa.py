"""Trouble on a VISA session: each kind ends in one line that names the instrument and its address."""

from __future__ import annotations

import csv
import logging
import socket
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import InstrumentError, UsageError
from harness.bench.supply import Supply
from harness.bench.visa import Session, parse_error, parse_number, printable
from harness.rigfile.known import Accuracy

from .conftest import Served
from .scripted import polite, scripted

ERRORS = Path(__file__).parents[2] / "reference" / "protocol" / "scpi_errors.csv"


def test_closed_port_is_found_at_open() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(
        InstrumentError, match=rf"^instrument meter at TCPIP0::127.0.0.1::{port}::SOCKET: \*IDN\?: conn"
    ):
        Session.open("meter", f"TCPIP0::127.0.0.1::{port}::SOCKET", timeout_s=0.3)


@pytest.mark.parametrize(
    "address", ["GPIB0::5::INSTR", "TCPIP0::no.such.host.invalid::5::SOCKET", "ASRL/dev/none::INSTR"]
)
def test_an_address_that_leads_nowhere_is_one_line(address: str) -> None:
    with pytest.raises(InstrumentError, match=r"^instrument meter at ") as caught:
        Session.open("meter", address, timeout_s=0.3)
    assert "\n" not in str(caught.value)


def test_a_form_that_is_not_allowed_opens_nothing(tmp_path: Path) -> None:
    """The backend hands a serial instrument's name to pyserial, whose `spy://` empties the file it is to write to."""
    precious = tmp_path / "precious"
    precious.write_text("precious")
    with pytest.raises(UsageError, match=r"^instrument meter: expected a VISA address .*, found ASRLspy:"):
        Session.open("meter", f"ASRLspy:///dev/ptmx?file={precious}::INSTR", timeout_s=0.3)
    assert precious.read_text() == "precious"


def test_silence_names_command_and_limit() -> None:
    with (
        scripted(lambda message: None) as instrument,
        pytest.raises(InstrumentError, match=r"\*IDN\?: no answer within 0.1 s$"),
    ):
        Session.open("meter", instrument.address, timeout_s=0.1)


def test_another_instrument_than_the_rig_file_says_is_refused() -> None:
    with (
        scripted() as instrument,
        pytest.raises(InstrumentError, match=r"should contain 'other', found 'maker,model,1,0'"),
    ):
        Session.open("meter", instrument.address, identity="other")


def test_a_late_reply_is_never_taken_for_the_next() -> None:
    late = threading.Event()

    def answer(message: str) -> bytes | None:
        if message == "SLOW?":
            late.wait(2.0)
            return b"11\n"
        return b"22\n" if message == "QUICK?" else polite(message)

    with scripted(answer) as instrument, Session.open("meter", instrument.address, timeout_s=0.1) as session:
        with pytest.raises(InstrumentError, match=r"SLOW\?: no answer"):
            session.number("SLOW?")
        late.set()
        time.sleep(0.05)
        assert session.number("QUICK?") == 22.0
        assert len(instrument.connections) == 2


def test_an_interrupted_query_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    with (
        scripted(lambda message: b"33\n" if message == "OLD?" else polite(message)) as instrument,
        Session.open("meter", instrument.address) as session,
    ):
        resource = session._resource

        def interrupted() -> str:
            raise KeyboardInterrupt

        monkeypatch.setattr(resource, "read", interrupted)
        with pytest.raises(KeyboardInterrupt):
            session.query("OLD?")
        assert session.query("*OPC?") == "1"


def test_connection_dropped_by_the_instrument_is_an_error_then_opened_anew() -> None:
    with (
        scripted(lambda message: None if message == "DROP?" else polite(message)) as instrument,
        Session.open("meter", instrument.address, timeout_s=0.2) as session,
    ):
        instrument.connections[0].shutdown(socket.SHUT_RDWR)
        with pytest.raises(InstrumentError, match=r"meter at .*: (no answer|connection lost|\*OPC)"):
            session.query("*OPC?")
        assert session.query("*OPC?") == "1"


def test_carriage_return_before_line_feed_is_stripped() -> None:
    with (
        scripted(lambda message: polite(message).replace(b"\n", b"\r\n")) as instrument,
        Session.open("meter", instrument.address) as session,
    ):
        assert session.identity == "maker,model,1,0"


def test_hostile_identity_is_made_harmless() -> None:
    hostile = b"\x1b[2J[red]<script>\xff" + b"x" * 1000 + b",\x00,\x07,0\n"
    with (
        scripted(lambda message: hostile if message == "*IDN?" else polite(message)) as instrument,
        Session.open("meter", instrument.address) as session,
    ):
        assert session.identity.startswith(r"\x1b[2J[red]<script>\xffxxx")
        assert len(session.identity) <= 200
        assert session.identity.isprintable()


@given(st.text(max_size=400))
def test_printable_text_is_short_printable_ascii(text: str) -> None:
    shown = printable(text)
    assert shown.isascii()
    assert shown.isprintable()
    assert len(shown) <= 200


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        ("12,5", "decimal point expected, found '12,5'"),
        ("9.9E37", "over range"),
        ("-9.9E+37", "over range"),
        ("9.91E37", "not a number"),
        ("nan", "a number expected"),
        ("inf", "a number expected"),
        ("1e999", "over range"),
        ("VOLT 12.5", "a number expected"),
        ("1_0", "a number expected"),
        ("", "a number expected, found ''"),
        ("1.0 V", "a number expected"),
    ],
)
def test_what_is_not_one_finite_number_is_refused(reply: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_number(reply)
    with (
        scripted(lambda message: reply.encode() + b"\n" if message == "MEAS?" else polite(message)) as instrument,
        Session.open("meter", instrument.address) as session,
        pytest.raises(InstrumentError, match=rf"instrument meter at .*MEAS\?: .*{words}"),
    ):
        session.number("MEAS?")


@given(st.floats(min_value=-1e30, max_value=1e30))
def test_any_usual_number_is_read_as_it_was_written(value: float) -> None:
    assert parse_number(f" {value:+.17E}") == value


def test_a_refused_setting_says_what_the_queue_says(instruments: Served) -> None:
    with Session.open("supply", instruments.address("supply"), timeout_s=0.2) as session:
        with pytest.raises(InstrumentError, match=r"refused VOLT 99: -222 Data out of range;99$"):
            session.setting("VOLT 99")
        with pytest.raises(
            InstrumentError, match=r"no answer within 0.2 s; its error queue: -113 Undefined header;VOLTS$"
        ):
            session.setting("VOLTS 9")
        session.setting("VOLT 9")


def test_errors_from_before_are_kept_apart(instruments: Served) -> None:
    instruments.servers["supply"].instrument.receive("NONSENSE")
    with Session.open("supply", instruments.address("supply")) as session:
        assert [error.number for error in session.found_errors] == [-113]
        session.setting("VOLT 9")


def test_an_error_queue_without_end_is_given_up() -> None:
    with (
        scripted(lambda message: b'-300,"again"\n' if message == "SYST:ERR?" else polite(message)) as instrument,
        pytest.raises(InstrumentError, match="still errors after 32; the last was -300 again"),
    ):
        Session.open("meter", instrument.address)


def test_published_errors_are_read_with_their_class() -> None:
    """SCPI-1999 volume 2, chapter 21 (tests/reference/protocol, scpi-errors-a)."""
    with ERRORS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 87
    for row in rows:
        error = parse_error(f'{row["code"]},"{row["message"]}"')
        assert (error.number, error.text) == (int(row["code"]), row["message"])
        assert error.kind == (row["class"] if int(row["code"]) > -500 else "event")


@pytest.mark.parametrize("reply", ["0", "no error", '-113 "Undefined header"', "1,2,3", ""])
def test_what_is_not_an_error_queue_entry_is_refused(reply: str) -> None:
    with pytest.raises(ValueError, match=r"a number, a comma and a \"text\" expected"):
        parse_error(reply)


@pytest.mark.parametrize("reply", ['0,"No error"', '+0,"No error"', '-0,"No error"'])
def test_zero_is_read_with_either_sign(reply: str) -> None:
    assert parse_error(reply).number == 0


def test_a_supply_that_holds_another_limit_is_refused() -> None:
    held = {"VOLT:PROT?": b"14\n", "CURR?": b"0.9\n", "VOLT?": b"12\n", "OUTP?": b"0\n"}
    accuracy = Accuracy(percent=0.1, offset=0.0)
    with (
        scripted(lambda message: held.get(message) or polite(message)) as instrument,
        Supply(
            Session.open("supply", instrument.address), voltage_accuracy=accuracy, current_accuracy=accuracy
        ) as supply,
    ):
        with pytest.raises(InstrumentError, match=r"CURR: set to 1.5 A, but it holds 0.9 A"):
            supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
        assert "OUTP ON;*OPC?" not in instrument.heard
        with pytest.raises(InstrumentError, match="limits were not set"):
            supply.output_on()


def test_a_supply_that_stays_on_is_not_believed() -> None:
    accuracy = Accuracy(percent=0.1, offset=0.0)
    with (
        scripted() as instrument,
        Supply(
            Session.open("supply", instrument.address), voltage_accuracy=accuracy, current_accuracy=accuracy
        ) as supply,
        pytest.raises(InstrumentError, match="OUTP OFF was taken, but its output is still on"),
    ):
        supply.output_off()


def test_a_channel_is_chosen_in_the_same_message() -> None:
    accuracy = Accuracy(percent=0.1, offset=0.0)
    with (
        scripted(lambda message: b"0\n" if message.endswith("OUTP?") else polite(message)) as instrument,
        Supply(
            Session.open("supply", instrument.address), voltage_accuracy=accuracy, current_accuracy=accuracy, channel=2
        ) as supply,
    ):
        supply.output_off()
        assert "INST:NSEL 2;:OUTP OFF;*OPC?" in instrument.heard


def test_traffic_is_logged_and_made_harmless(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG, logger="harness.visa")
    with (
        scripted(lambda message: b"\x1b]0;title\x07\n" if message == "*IDN?" else polite(message)) as instrument,
        Session.open("meter", instrument.address),
    ):
        pass
    assert "meter > *IDN?" in caplog.messages
    assert r"meter < \x1b]0;title\x07" in [message.removesuffix(r"\x0a") for message in caplog.messages]


def test_two_threads_do_not_mix_replies(instruments: Served) -> None:
    with Session.open("supply", instruments.address("supply")) as session:
        wrong: list[str] = []

        def ask(command: str, expected: str) -> None:
            try:
                wrong.extend(reply for _ in range(200) if (reply := session.query(command)) != expected)
            except InstrumentError as error:
                wrong.append(str(error))

        threads = [threading.Thread(target=ask, args=pair) for pair in (("*OPC?", "1"), ("SYST:VERS?", "1999.0"))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_settings_in_a_row_do_not_wait_for_acknowledgements(instruments: Served) -> None:
    """44 ms each without TCP_NODELAY, all but the first; a busy machine is quick now and then."""
    with Session.open("supply", instruments.address("supply")) as session:
        each_s = []
        for _ in range(20):
            started_s = time.monotonic()
            session._resource.write("VOLT 1")
            session.query("*OPC?")
            each_s.append(time.monotonic() - started_s)
        assert sorted(each_s)[4] < 0.03
