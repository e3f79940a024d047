"""What stopped a motor, in a person's words: the board's own guard, or the firmware that raised. Pure functions."""

from __future__ import annotations

import math
import re
from collections.abc import Container
from typing import TYPE_CHECKING

from harness.base.errors import BenchError, DeviceError, HarnessError, StoppedByBoard
from harness.rigfile.crosscheck import SPEED_SPAN_S

if TYPE_CHECKING:
    from harness.rigfile import RigSpec

MOTOR = re.compile(r"motor (\d+): ")
SPEED = re.compile(r"speed: (-?\d+) counts in (\d+) us, limit (\d+) in 100 ms")
TRAVEL = re.compile(r"travel: (-?\d+) counts from hanging, limit (\d+)")
DEADMAN = "deadman: "
GUARDED = re.compile(r"\bStop: (.*)\s*\Z")
PLACE = re.compile(r'^\s*File "([^"]+)", line (\d+)', re.MULTILINE)


def stopped(words: str) -> HarnessError:
    """The error for what the guard said.

    StoppedByBoard for a limit; BenchError for its deadman, which only a silent host sets off.
    """
    if DEADMAN in words:
        return BenchError(
            f"the board turned its phases off: {words.partition(DEADMAN)[2]} for longer than board.deadman_s; "
            "a busy machine or a slow link: raise board.deadman_s"
        )
    return StoppedByBoard(words)


def meaning(error: DeviceError, scripts: Container[str]) -> HarnessError:
    """What an exception of code on the board means; `scripts` are the names of the device scripts' files.

    The guard's Stop is what the guard says. Anything that was raised in a file which is not one of ours was raised by
    the firmware: a stop that the board under test provoked. What is left is the error itself.
    """
    text = error.board_traceback.strip()
    if guarded := GUARDED.search(text):
        return stopped(guarded[1])
    places = PLACE.findall(text)
    if not places:
        return error
    file, line = places[-1]
    name = file.rpartition("/")[2]
    if file.startswith("<") or name in scripts:
        return error
    return StoppedByBoard(f"the firmware raised {text.rsplit(chr(10), 1)[-1].strip()} ({name}, line {line})")


def in_words(text: str, spec: RigSpec) -> str:
    """The same with motors by name, and angles and speeds in the units of the rig file."""
    named = MOTOR.search(text)
    if named is None or int(named[1]) >= len(spec.motors):
        return text
    name = spec.motors[int(named[1])]
    turn = spec.motor[name].sensor.counts
    text = text[: named.start()].removesuffix(f"{name}: ") + f"{name}: " + text[named.end() :]
    if match := SPEED.search(text):
        counts, us, limit = (int(group) for group in match.groups())
        speed = abs(counts) / us * 1e6 * math.tau / turn
        words = f"speed {speed:.3g} rad/s, limit {limit / SPEED_SPAN_S * math.tau / turn:.3g} rad/s"
    elif match := TRAVEL.search(text):
        counts, limit = (int(group) for group in match.groups())
        words = f"travel {counts * math.tau / turn:+.3g} rad from hanging, limit {limit * math.tau / turn:.3g} rad"
    else:
        return text
    return text[: match.start()] + words + text[match.end() :]
