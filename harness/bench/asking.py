"""Asking the firmware: imported on the board, where the supply is off, and asked for its names and its declarations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from harness.base.errors import DeviceError, FirmwareFault, LinkTimeout, StoppedByBoard
from harness.bench import source
from harness.bench.scripts import device_scripts
from harness.bench.stops import conduct, interrupted_in, meaning
from harness.link.console import text_of
from harness.rigfile import RigSpec

if TYPE_CHECKING:
    from harness.link.board import Board

ASK_S = 10.0
"""For the firmware to be imported and asked (arbitrary: a slow board compiles a large module in some seconds)."""


def ask_firmware(board: Board, spec: RigSpec) -> tuple[tuple[str, ...], Mapping[str, object]]:
    """Names that the firmware's module has, and what it answers to `declare` for each motor, not yet checked.

    Raises FirmwareFault where it raises, does not return, or an exception of its callbacks is printed meanwhile;
    DeviceError where there is no such module, BenchError where nothing answers.
    """
    module, scripts = spec.firmware.module, device_scripts()
    try:
        printed = board.execute_checked(source.ask_firmware(spec), timeout_s=ASK_S)
    except LinkTimeout as error:
        where = interrupted_in(text_of(error.received), scripts)
        if not where:
            raise
        words = f"did not return within {ASK_S:g} s when it was imported and asked: interrupted in {where}"
        raise FirmwareFault(f"firmware {module}: {words}", "returns") from error
    except DeviceError as error:
        words = f"firmware {module}: cannot be imported or asked: {error.last_words}"
        if isinstance(meaning(error, scripts), StoppedByBoard):
            raise FirmwareFault(words, "import") from error
        raise DeviceError(words, error.board_traceback) from error
    if fault := conduct(printed, scripts):
        raise fault
    return source.firmware_answers(printed, module, spec.motors)
