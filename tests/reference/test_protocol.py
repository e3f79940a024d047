"""SCPI and IEEE 488.2 tables against the instruments of the virtual bench; CRC and parity against their makers."""

from __future__ import annotations

from binascii import crc32

from rigs_demo.instruments import errors, status
from rigs_demo.plant.sensor import with_parity
from tests.reference.cases import Case, reference

FROM_THE_ROWS = "ranges follow from the class by hundred, checked row by row"


@reference(
    "scpi-errors-a",
    left_out={
        "rows": "the instruments know the errors that they can raise, not all 87",
        "command_error_range": FROM_THE_ROWS,
        "execution_error_range": FROM_THE_ROWS,
        "device_error_range": FROM_THE_ROWS,
        "query_error_range": FROM_THE_ROWS,
    },
)
def test_error_messages(case: Case) -> dict[str, object]:
    rows = {int(row["code"]): row for row in case.rows()}
    shared = set(rows) & set(errors.MESSAGES)
    assert len(shared) > 20
    for number in shared:
        assert errors.MESSAGES[number] == rows[number]["message"]
        if number:
            assert str(errors.event_bit(number)) == rows[number]["event_status_bit"]
    wanted = [entry["name"] for entry in case.expect if entry["name"].lstrip("-").isdigit()]
    return {name: errors.MESSAGES.get(int(name), rows[int(name)]["message"] if name == "0" else "") for name in wanted}


@reference("status-bits", left_out={"esr_request_control": "no instrument here asks for control"})
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


@reference("even-parity-a")
def test_sensor_words_have_even_parity(case: Case) -> dict[str, object]:
    return {"words": [f"{with_parity(int(row['payload_15_bit_hex'], 16)):04X}" for row in case.rows()]}


@reference("crc-check-a", left_out={"check": "a list over six polynomials; the frames use CRC-32, checked here"})
def test_frames_use_crc_32(case: Case) -> dict[str, object]:
    row = next(row for row in case.rows() if row["name"] == "CRC-32")
    from harness.link import wire

    assert f"{wire.crc32(b'123456789'):X}" == row["check_hex"]
    assert wire.crc32 is crc32
    return {}
