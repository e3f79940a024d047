"""The simulated board as a whole: its process, its pins, its serial line, its flash, and what resets do to them."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from enum import IntEnum
from zlib import crc32

from rigs_demo.board import page as p
from rigs_demo.board.flash import Flash
from rigs_demo.board.hardware import Hardware
from rigs_demo.board.page import Page
from rigs_demo.board.process import SHADOW, BoardProcess, State
from rigs_demo.board.serial_line import SerialLine

CTRL_C = 3
RAW_PROMPT = b"raw REPL; CTRL-B to exit\r\n"
BANNER_END = b'Type "help()" for more information.\r\n'
BANNER_BEGIN = b"MicroPython "
PROMPT = b">>> "
BUILT_IN = re.compile(rb'  File "' + re.escape(os.fsencode(SHADOW)) + rb'/[^"\n]*", line \d+(, in [^\n]*)?\n')
"""A line of a traceback from a module that stands in for what a board has built in: there it leaves none."""
PLACE = b'  File "'
SOFT_RESET_TEXT = b"MPY: soft reboot\r\n"
"""What boards say; the interpreter, whose process ends instead, does not."""


class Cause(IntEnum):
    """Why the board started; the numbers of machine.reset_cause()."""

    POWER = 1
    HARD = 2
    WATCHDOG = 3
    SOFT = 5


class BoardFailed(Exception):
    """The interpreter does not come up."""


class SimulatedBoard:
    """One board from power-up to the end of the bench."""

    def __init__(self, hardware: Hardware, files: Mapping[str, str], *, name: str, cost_permille: int) -> None:
        """Prepare it; `restart` starts it.

        `name`: two boards of different names have different unique ids. `cost_permille`: what Python work costs, 1000
        is a usual small board.
        """
        self.hardware = hardware
        self.line = SerialLine()
        self.flash = Flash(files)
        self.page = Page()
        self.process: BoardProcess | None = None
        self.starts = 0
        self._identity = crc32(name.encode())
        self._cost = cost_permille
        self._input = bytearray()
        self._interrupt = False
        self._raw = False
        self._wants_raw = False
        self._entering_raw = False
        self._answered = False
        self._failures = 0

    # --- resets -------------------------------------------------------------------------------------------------

    def restart(self, now_ns: int, cause: Cause) -> None:
        """Reset: outputs off, a new process; after a soft reset from raw mode the board stays in raw mode."""
        from_raw = self._raw and cause is Cause.SOFT
        if self.process is not None:
            self.process.collect()
            if self._answered:
                self._put_out()
            self._failures = 0 if self._answered else self._failures + 1
            self.process.end()
            if self._failures > 1:
                raise BoardFailed(self._last_words(self.process))
        self.hardware.release()
        if cause is Cause.SOFT:
            self.line.send(SOFT_RESET_TEXT)
        else:
            self.hardware.watchdog_ns = None  # a watchdog survives a soft reset, as on a board
        self._raw = False
        self._wants_raw = from_raw
        self._entering_raw = False
        self._interrupt = False
        self._answered = False
        self.starts += 1
        self.page.clear(now_ns, cause, self._cost, self._identity)
        self.process = BoardProcess(self.page, self.flash.path, run_main=not from_raw)

    def ended(self, now_ns: int) -> None:
        """Its process has ended by itself: SystemExit, ctrl-D or a crash. All are a soft reset here."""
        self.restart(now_ns, Cause.SOFT)

    # --- the serial line ----------------------------------------------------------------------------------------

    def take_input(self) -> None:
        """Fetch what the host has sent."""
        self._input += self.line.take()

    @property
    def has_input(self) -> bool:
        """Something waits to be given to the board."""
        return bool(self._input)

    @property
    def interrupt_waits(self) -> bool:
        """The next byte for the board is Ctrl-C."""
        return bool(self._input) and self._input[0] == CTRL_C

    def deliver(self, state: State, now_ns: int, until_ns: int) -> bool:
        """Give the board its input, up to and with the next Ctrl-C. True if that woke it.

        A board that runs a script gets KeyboardInterrupt for byte 03; at the prompt, in a paste, or after
        kbd_intr(-1) it is data like any other.
        """
        process = self.running()
        if not self._input or self._wants_raw:
            return False
        if state is State.PARKED:
            self._wake(now_ns, until_ns)
        end = self._input.find(CTRL_C)
        if end == 0:
            del self._input[0]
            if not process.can_be_interrupted():
                process.give(b"\x03")
            elif state is State.ASKS:
                self._interrupt = True
                return False
            else:
                process.interrupt()
            return state is not State.ASKS
        given = process.give(bytes(self._input if end < 0 else self._input[:end]))
        del self._input[:given]
        return given > 0 and state is not State.ASKS

    def _wake(self, now_ns: int, until_ns: int) -> None:
        # Only while it is blocked: its clock stood still.
        times = self.page.times
        times[p.TIME] = max(times[p.TIME], now_ns)
        times[p.UNTIL] = max(until_ns, times[p.TIME])

    def collect(self, *, at_rest: bool = False) -> None:
        """Take the board's output and pass it on to the host. `at_rest`: it waits for input."""
        process = self.running()
        process.collect()
        if not self._answered:
            if at_rest:
                raise BoardFailed(self._last_words(process))
        elif self._wants_raw:
            if at_rest:
                self._enter_raw(process)
        else:
            self._put_out()

    @staticmethod
    def _last_words(process: BoardProcess) -> str:
        text = bytes(process.output[-2000:]).decode("utf-8", "replace")
        lines = [line for line in text.splitlines() if "Error" in line]
        return lines[-1] if lines else text.strip() or "it ends without a word"

    def _enter_raw(self, process: BoardProcess) -> None:
        # A new interpreter begins in friendly mode; a board would still be in raw mode, and never show the difference.
        output = process.output
        if self._entering_raw and output.endswith(RAW_PROMPT + b">"):
            del output[: output.rfind(RAW_PROMPT)]
            self._wants_raw = self._entering_raw = False
            self._put_out()
        elif not self._entering_raw and output.endswith(PROMPT):
            self.line.send(bytes(output[: output.rfind(BANNER_BEGIN)]))
            output.clear()
            process.give(b"\x01")
            self._entering_raw = True

    def _put_out(self) -> None:
        output = self.running().output
        if not output:
            return
        raw, friendly = output.rfind(RAW_PROMPT), output.rfind(BANNER_END)
        if raw != friendly:
            self._raw = raw > friendly
        last = output.rfind(b"\n") + 1
        end = last if output.startswith(PLACE, last) else len(output)  # the rest of that line is still to come
        self.line.send(BUILT_IN.sub(b"", bytes(output[:end])))
        del output[:end]

    @property
    def coming_up(self) -> bool:
        """It is on its way back into raw mode after a reset."""
        return self._wants_raw

    # --- its requests -------------------------------------------------------------------------------------------

    def running(self) -> BoardProcess:
        """The present process."""
        if self.process is None:
            raise BoardFailed("the board has no power")
        return self.process

    def wait(self, *, in_callback: bool) -> State:
        """Wait until it needs the bench."""
        process = self.running()
        state = process.wait(interrupt_wanted=self.interrupt_waits, in_callback=in_callback)
        if process.signalled:
            process.signalled = False
            del self._input[:1]  # the Ctrl-C that became a signal
        return state

    def answer(self, time_ns: int, until_ns: int, result: int = 0) -> None:
        """Answer its request, with KeyboardInterrupt if that is waiting."""
        self._answered = True
        flags = p.INTERRUPT if self._interrupt else 0
        self._interrupt = False
        self.page.answer(time_ns, max(until_ns, time_ns), result, flags)
        self.running().answered()

    @property
    def interrupted(self) -> bool:
        """Its next answer carries KeyboardInterrupt, so a sleep ends now."""
        return self._interrupt

    def wake_for_callbacks(self, now_ns: int, until_ns: int) -> None:
        """Have a board at rest run what is due."""
        self._wake(now_ns, until_ns)
        self.running().poke()

    @property
    def powered(self) -> bool:
        """It has not been switched off."""
        return self.process is not None

    def power_off(self) -> None:
        """Take its power away for good: outputs off."""
        if self.process is not None:
            self.process.end()
            self.process = None
        self.hardware.watchdog_ns = None
        self.hardware.release()

    def close(self) -> None:
        """Power off, everything given back."""
        self.power_off()
        self.line.close()
        self.flash.close()
        self.page.close()
