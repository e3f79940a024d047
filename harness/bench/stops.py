"""What stopped a motor: the board's own guard, which says it in fields, or the firmware that raised. Pure functions."""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Container
from typing import TYPE_CHECKING

from harness.base.errors import BenchError, DeviceError, FirmwareFault, HarnessError, StoppedByBoard
from harness.rigfile.crosscheck import SPEED_SPAN_S

if TYPE_CHECKING:
    from harness.rigfile import RigSpec

GUARDED = re.compile(r"\bStop: (\(.*\))\s*\Z")
"""How MicroPython prints the guard's exception, whose one argument is a tuple."""
PLACE = re.compile(r'^\s*File "([^"]+)", line (\d+)', re.MULTILINE)


class StoppedByGuard(StoppedByBoard):
    """The board's guard turned the phases off: because of which limit, at which motor of the drive contract, and the
    whole numbers that go with that limit (`device_scripts/safety.py`)."""

    def __init__(self, limit: str, motor: int, *numbers: int) -> None:
        self.limit, self.motor, self.numbers = limit, motor, numbers
        super().__init__(f"motor {motor}: {limit} {', '.join(map(str, numbers))}")


def meaning(error: DeviceError, scripts: Container[str]) -> HarnessError:
    """What an exception of code on the board means; `scripts` are the names of the device scripts' files.

    The guard's Stop is what the guard says. Anything that was raised in a file which is not one of ours was raised by
    the firmware: its fault. What is left is the error itself.
    """
    text = error.board_traceback.strip()
    if guarded := GUARDED.search(text):
        return _guarded(guarded[1]) or error
    places = PLACE.findall(text)
    if not places:
        return error
    file, line = places[-1]
    name = file.rpartition("/")[2]
    if file.startswith("<") or name in scripts:
        return error
    return FirmwareFault(f"the firmware raised {text.rsplit(chr(10), 1)[-1].strip()} ({name}, line {line})")


def _guarded(fields: str) -> HarnessError | None:
    """StoppedByGuard for a limit; BenchError for the deadman, which only a silent host sets off; None for neither."""
    try:
        match ast.literal_eval(fields):
            case ("deadman",):
                return BenchError(
                    "the board turned its phases off: the host was silent for longer than board.deadman_s; "
                    "a busy machine or a slow link: raise board.deadman_s"
                )
            case (str(limit), int(motor), *numbers) if all(isinstance(number, int) for number in numbers):
                return StoppedByGuard(limit, motor, *numbers)
    except (ValueError, SyntaxError):
        pass
    return None


def in_words(error: StoppedByBoard, spec: RigSpec, motor: str) -> str:
    """What stopped the board, where `motor` was measured: in the units of the rig file, another motor by its name."""
    if not isinstance(error, StoppedByGuard) or error.motor >= len(spec.motors):
        return str(error)
    name = spec.motors[error.motor]
    words = _limit_in_words(error, spec.motor[name].sensor.counts)
    return words if name == motor else f"{name}: {words}"


def _limit_in_words(stop: StoppedByGuard, turn: int) -> str:
    match stop.limit, stop.numbers:
        case "speed", (counts, us, limit) if us > 0:
            speed = abs(counts) / us * 1e6 * math.tau / turn
            return f"speed {speed:.3g} rad/s, limit {limit / SPEED_SPAN_S * math.tau / turn:.3g} rad/s"
        case "travel", (counts, limit):
            return f"travel {counts * math.tau / turn:+.3g} rad from hanging, limit {limit * math.tau / turn:.3g} rad"
        case "sensor", (readings,):
            return f"sensor: {readings} readings in a row not valid"
        case "loop", (passes, ms):
            return f"loop: {passes} passes in {ms} ms"
    return f"{stop.limit}: {', '.join(map(str, stop.numbers))}"
