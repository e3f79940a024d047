"""SCPI and IEEE 488.2 tables against the instruments of the simulated bench; CRC and parity against their makers."""

from __future__ import annotations

import builtins
from binascii import crc32
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from harness.link.wire import RawFrame, Splitter
from rigs_demo.instruments import errors, status
from rigs_demo.instruments.engine import Instrument
from rigs_demo.instruments.syntax import units
from rigs_demo.plant.sensor import with_parity
from tests.reference.cases import Case, reference

FRAMES = Path(__file__).parents[2] / "device_scripts" / "frames.py"


@reference("scpi-errors-a")
def test_error_messages(case: Case) -> dict[str, object]:
    rows = {int(row["code"]): row for row in case.rows()}
    for number, row in rows.items():
        bit = errors.event_bit(number)
        assert ("" if bit is None else str(bit)) == row["event_status_bit"]
    shared = set(rows) & set(errors.MESSAGES)
    assert len(shared) > 20
    queue = errors.ErrorQueue(depth=len(shared))
    for number in sorted(shared):
        queue.add(errors.ScpiError(number))
    shown = dict(queue.next().split(",", 1) for _ in shared)
    assert shown == {str(number): f'"{rows[number]["message"]}"' for number in shared}
    return {name: shown[name].strip('"') for name in case.expect if name in shown}


@reference("status-bits")
def test_status_bits(case: Case) -> dict[str, object]:
    return {
        "esr_operation_complete": 1 << errors.OPERATION_COMPLETE,
        "esr_query_error": 1 << errors.QUERY_ERROR,
        "esr_device_error": 1 << errors.DEVICE_ERROR,
        "esr_execution_error": 1 << errors.EXECUTION_ERROR,
        "esr_command_error": 1 << errors.COMMAND_ERROR,
        "esr_user_request": 1 << errors.USER_REQUEST,
        "esr_power_on": 1 << errors.POWER_ON,
        "stb_error_queue": status.ERROR_QUEUE,
        "stb_questionable": status.QUESTIONABLE,
        "stb_message_available": status.MESSAGE_AVAILABLE,
        "stb_event_summary": status.EVENT_SUMMARY,
        "stb_service_request": status.SERVICE_REQUEST,
        "stb_operation": status.OPERATION,
    }


@reference("ieee-488-2-mandatory")
def test_mandatory_common_commands(case: Case) -> dict[str, object]:
    """Each is obeyed, and answers if it asks; those that set a mask are given one."""
    known = []
    for command in case.expect["commands"]["value"]:
        instrument = Instrument("maker,model,0,0")
        instrument.receive(f"{command} 0" if command in ("*ESE", "*SRE") else command)
        if instrument.reply_waiting == command.endswith("?") and not len(instrument.errors):
            known.append(command)
    return {"commands": known}


@reference("definite-block")
def test_blocks(case: Case) -> dict[str, object]:
    return {"payloads": [next(units(f"DATA {message}")).parameters[0].text for message in case.input["messages"]]}


@reference("odd-parity-a")
def test_sensor_words_have_odd_parity(case: Case) -> dict[str, object]:
    return {"words": [f"{with_parity(int(row['payload_15_bit_hex'], 16) << 1):04X}" for row in case.rows()]}


class Wire:
    """A board's standard output that keeps what is written."""

    def __init__(self) -> None:
        self.sent = bytearray()
        self.buffer = self

    def write(self, data: bytes) -> int:
        """Take all of it."""
        self.sent += data
        return len(data)


def _board(monkeypatch: pytest.MonkeyPatch) -> tuple[dict[str, Any], Wire]:
    """The frames of a board without a CRC of its own, and what it sends."""
    find, wire = builtins.__import__, Wire()

    def bare(name: str, *rest: Any) -> Any:
        if name == "binascii":
            raise ImportError(name)
        return find(name, *rest)

    with monkeypatch.context() as lacking:
        lacking.setattr(builtins, "__import__", bare)
        lacking.setattr("sys.stdout", wire)
        board: dict[str, Any] = {}
        exec(compile(FRAMES.read_text(), str(FRAMES), "exec"), board)
    return board, wire


@reference("crc-check-a")
def test_frames_use_crc_32(case: Case) -> Mapping[str, object]:
    """The board's own sum gives the published check value, and the host takes the frames that it makes."""
    row = next(row for row in case.rows() if row["name"] == "CRC-32")
    with pytest.MonkeyPatch.context() as monkeypatch:
        board, wire = _board(monkeypatch)
    digits = b"123456789"
    assert f"{board['crc32'](digits):X}" == row["check_hex"]
    assert board["crc32"](digits[4:], board["crc32"](digits[:4])) == crc32(digits)
    board["send"](ord("E"), digits)
    assert Splitter().split(wire.sent) == [RawFrame(ord("E"), 0, digits)]
    return {}
