"""A board counts as waiting only once it has taken what would end its wait: bytes on its line, or a signal.

Between being woken and running it looks as if it waited still, for microseconds. Here it is held there.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from rigs_demo.board import system
from rigs_demo.board.process import BoardProcess, State
from tests.software.simulated_bench.direct import Direct, direct

pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
pytestmark = [
    pytest.mark.board,
    pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the system does not tell what a board waits for"),
]
HELD_S = 0.3


BUSY = "for _ in range(300000): pass\n"


@pytest.fixture
def board() -> Iterator[Direct]:
    with direct() as bench:
        bench.raw()
        yield bench


@contextmanager
def woken_late(board: Direct, wake: Callable[[BoardProcess], object]) -> Iterator[BoardProcess]:
    """Wake a board that waits for input, so that it starts just after the bench has looked at what it does."""
    running = board.board.running()
    os.kill(running.pid, signal.SIGSTOP)
    wake(running)
    look = os.pread

    def started_after_the_look(descriptor: int, count: int, offset: int) -> bytes:
        text = look(descriptor, count, offset)
        os.kill(running.pid, signal.SIGCONT)
        while running.unread():
            pass
        return text

    # Who does not look before the bytes are taken would wait for ever.
    later = threading.Timer(HELD_S, os.kill, (running.pid, signal.SIGCONT))
    later.start()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(system.os, "pread", started_after_the_look)
        yield running
    later.cancel()
    later.join()


def test_bytes_that_it_has_not_taken(board: Direct) -> None:
    with woken_late(board, lambda process: process.give(f"{BUSY}print(7)\x04".encode())) as running:
        assert running.wait() is State.PARKED
    running.collect()
    assert bytes(running.output) == b"OK7\n\x04\x04>"


def test_a_signal_that_it_has_not_taken(board: Direct) -> None:
    board.start(f"import sys\ntry: sys.stdin.buffer.read(1)\nexcept KeyboardInterrupt:\n {BUSY} print('stopped')")
    board.run_ms(1)
    with woken_late(board, BoardProcess.interrupt) as running:
        assert running.wait() is State.PARKED
    running.collect()
    assert bytes(running.output).startswith(b"stopped")


def test_a_signal_is_the_programs_whichever_thread_wakes_first(board: Direct) -> None:
    script = "import sys\nwhile True:\n try: sys.stdin.buffer.read(1)\n except KeyboardInterrupt: print('stopped')\n"
    board.start(script)
    board.run_ms(1)
    running = board.board.running()
    for _ in range(20):
        os.kill(running.pid, signal.SIGSTOP)
        running.interrupt()
        os.kill(running.pid, signal.SIGCONT)
        running.output.clear()
        assert running.wait() is State.PARKED
        running.collect()
        assert bytes(running.output) == b"stopped\n"
