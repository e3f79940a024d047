"""What stopped a motor: the board's guard, which says it in fields, or firmware against its contract. All pure."""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Container
from typing import TYPE_CHECKING

from harness.base.errors import BenchError, DeviceError, FirmwareFault, HarnessError, StoppedByBoard
from harness.link.snippets import FOLDER
from harness.rigfile.crosscheck import SPEED_SPAN_S

if TYPE_CHECKING:
    from harness.rigfile import RigSpec

GUARDED = re.compile(r"\bStop: (\(.*\))\s*\Z")
"""How MicroPython prints the guard's exception, whose one argument is a tuple."""
SAID = re.compile(r"^Stop: (\(.*\))$", re.MULTILINE)
AWAY = re.compile(r"^Away: \((\d+),\)$", re.MULTILINE)
"""What the guard prints at its end of firmware that was slow to end, and of one that kept it from its host."""
PLACE = re.compile(r'^\s*File "([^"]+)", line (\d+)(?:, in (\S+))?', re.MULTILINE)
MOST_PLACES = 3

# What a board prints amid whatever else: the scheduler or an interrupt's handler tells of an exception in a callback so
# (shared/runtime/mpirq.c, ports' machine_timer.c, from memory).
RAISED = re.compile(r"Traceback \(most recent call last\):\n(?:  .*\n)+(\S.*)\n")
UNCAUGHT = re.compile(r"uncaught exception in .*\n(?!Traceback)(\S.*)\n", re.IGNORECASE)
INTERRUPTED = "KeyboardInterrupt"

FAULTS = {
    "start_time": "start_time",
    "off_time": "off_time",
    "loop": "passes",
    "no_pass": "passes",
    "late_pass": "passes",
    "long_pass": "passes",
}
"""Limits of the guard that only firmware against its contract goes over, and the name of the fault."""
UNSEEN = ": its callback is never run, ends in an exception that nothing prints, or does not call the hook"


class StoppedByGuard(StoppedByBoard):
    """The board's guard turned the phases off: because of which limit, at which motor of the drive contract, and the
    whole numbers that go with that limit (`device_scripts/safety.py`)."""

    def __init__(self, limit: str, motor: int, *numbers: int) -> None:
        self.limit, self.motor, self.numbers = limit, motor, numbers
        super().__init__(f"motor {motor}: {limit} {', '.join(map(str, numbers))}")


class FaultByGuard(FirmwareFault):
    """The same where it was the firmware that went against its contract."""

    def __init__(self, limit: str, motor: int, *numbers: int) -> None:
        self.limit, self.motor, self.numbers = limit, motor, numbers
        super().__init__(f"motor {motor}: {_fault_in_words(limit, numbers)}", FAULTS[limit])


def meaning(error: DeviceError, scripts: Container[str]) -> HarnessError:
    """What an exception of code on the board means; `scripts` are the names of the device scripts' files.

    The guard's Stop is what the guard says. Anything that was raised in a file which is not one of ours was raised by
    the firmware: its fault. What is left is the error itself.
    """
    text = error.board_traceback.strip()
    if guarded := GUARDED.search(text):
        return _guarded(guarded[1]) or error
    return _raised(text, scripts) or error


def _guarded(fields: str) -> HarnessError | None:
    """StoppedByGuard for a limit, FaultByGuard for the contract's; BenchError for the deadman; None for none of them.

    Only a silent host sets the deadman off, or a board that was too busy to hear it.
    """
    try:
        said = ast.literal_eval(fields)
    except (ValueError, SyntaxError, MemoryError, RecursionError):
        return None
    match said:
        case ("deadman",):
            return BenchError(
                "the board turned its phases off: the host was silent for longer than board.deadman_s; "
                "a busy machine or a slow link: raise board.deadman_s"
            )
        case ("deadman", int(away_ms)):
            return BenchError(
                f"the board turned its phases off: it had not looked for its host for {away_ms} ms, longer than "
                "board.deadman_s: a function of the firmware that returns so late, or a host that did not read"
            )
        case (str(limit), int(motor), *numbers) if all(isinstance(number, int) for number in numbers):
            return FaultByGuard(limit, motor, *numbers) if limit in FAULTS else StoppedByGuard(limit, motor, *numbers)
    return None


def conduct(text: str, scripts: Container[str]) -> FirmwareFault | None:
    """What the firmware has done against its contract, by what the board printed; None if there is nothing of it.

    An exception in a timer's or an interrupt's callback reaches nobody but the console. A script that was interrupted
    while the firmware had not returned for long says so, too.
    """
    text = text.replace("\x04", "\n")
    tracebacks = [(match[0], match[1]) for match in RAISED.finditer(text)]
    for traceback, last in tracebacks:
        if not last.startswith((INTERRUPTED, "Stop: ")) and (fault := _raised(traceback, scripts)):
            return fault
    if uncaught := UNCAUGHT.search(text):
        return FirmwareFault(f"a callback of the firmware raised {uncaught[1].strip()}; the board does not say where")
    for said in SAID.finditer(text):
        if isinstance(stop := _guarded(said[1]), FirmwareFault):
            return stop
    if away := AWAY.search(text):
        for traceback, last in tracebacks:
            if last.startswith(INTERRUPTED) and (where := _places(traceback, scripts, innermost=True)):
                return FirmwareFault(f"the firmware did not return for {away[1]} ms: interrupted in {where}", "returns")
    return None


def interrupted_in(text: str, scripts: Container[str]) -> str:
    """Where in the firmware a script was when it was interrupted; "" if it was not in the firmware."""
    for match in RAISED.finditer(text.replace("\x04", "\n")):
        if match[1].startswith(INTERRUPTED):
            return _places(match[0], scripts, innermost=True)
    return ""


def _raised(traceback: str, scripts: Container[str]) -> FirmwareFault | None:
    """The firmware's fault if the exception came by way of it: of ours it calls nothing but the trace hook."""
    where = _places(traceback, scripts)
    if not where:
        return None
    what = traceback.strip().rsplit("\n", 1)[-1].strip()
    return FirmwareFault(f"the firmware raised {what} ({where})")


def _places(traceback: str, scripts: Container[str], *, innermost: bool = False) -> str:
    """Files of the firmware with lines, the innermost first; "" where there is none, or the innermost is ours."""
    places = [(file, line, function) for file, line, function in PLACE.findall(traceback)]
    firmware = [place for place in reversed(places) if not _is_ours(place[0], scripts)]
    if not firmware or (innermost and firmware[0] != places[-1]):
        return ""
    return ", called from ".join(
        f"{file}, line {line}" + (f", in {function}" if function else "")
        for file, line, function in firmware[:MOST_PLACES]
    )


def _is_ours(file: str, scripts: Container[str]) -> bool:
    folder, _, name = file.rpartition("/")
    return file.startswith("<") or (name in scripts and folder in ("", FOLDER))


def in_words(error: StoppedByBoard, spec: RigSpec, motor: str) -> str:
    """What stopped the board, where `motor` was measured: in the units of the rig file, another motor by its name."""
    if not isinstance(error, StoppedByGuard | FaultByGuard) or error.motor >= len(spec.motors):
        return str(error)
    name = spec.motors[error.motor]
    if isinstance(error, FaultByGuard):
        words = _fault_in_words(error.limit, error.numbers)
    else:
        words = _limit_in_words(error, spec.motor[name].sensor.counts)
    return words if name == motor else f"{name}: {words}"


def _fault_in_words(limit: str, numbers: tuple[int, ...]) -> str:
    match limit, numbers:
        case "start_time" | "off_time", (took_ms, allowed_ms):
            return f"{limit.removesuffix('_time')} took {took_ms} ms, {allowed_ms} allowed"
        case "loop", (passes, ms):
            return f"loop: {passes} passes in {ms} ms{UNSEEN if passes == 0 else ''}"
        case "no_pass", (ms,):
            return f"loop: no pass in {ms} ms{UNSEEN}"
        case "late_pass", (us, period_us):
            return f"loop: a pass every {us} us, period {period_us} us"
        case "long_pass", (us, period_us):
            return f"loop: a pass of {us} us, period {period_us} us"
    return f"{limit}: {', '.join(map(str, numbers))}"


def _limit_in_words(stop: StoppedByGuard, turn: int) -> str:
    match stop.limit, stop.numbers:
        case "speed", (counts, us, limit) if us > 0:
            speed = abs(counts) / us * 1e6 * math.tau / turn
            return f"speed {speed:.3g} rad/s, limit {limit / SPEED_SPAN_S * math.tau / turn:.3g} rad/s"
        case "travel", (counts, limit):
            return f"travel {counts * math.tau / turn:+.3g} rad from hanging, limit {limit * math.tau / turn:.3g} rad"
        case "sensor", (readings,):
            return f"sensor: {readings} readings in a row not valid"
    return f"{stop.limit}: {', '.join(map(str, stop.numbers))}"
