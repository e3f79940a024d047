"""The link against mpremote, the tool that comes with MicroPython: library call against library call.

Both talk to an interpreter of their own over a pseudo-terminal of their own, in turns, in one process; what
counts is the ratio of the shortest times (when written, on a busy machine: a command takes 0.6 of mpremote's time, a
file to the board is 10 times faster, samples back 750 times). mpremote notices a pseudo-terminal and leaves
out the 10 ms that it sleeps on other ports whenever nothing is there: this is the comparison kindest to it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from harness.base.clock import WallClock
from harness.link.board import Board
from harness.link.frames import StreamRows
from tests.benchmarks.measure import least
from tests.contracts.boards import running

transport_serial = pytest.importorskip("mpremote.transport_serial", reason="mpremote is not installed")
SerialTransport = transport_serial.SerialTransport

pytestmark = [pytest.mark.board, pytest.mark.slow]

CLOCK = WallClock()
SOURCES = sorted((Path(__file__).parents[2] / "harness").rglob("*.py"))
FILE = b"".join(path.read_bytes() for path in SOURCES)[: 64 * 1024]
"""64 KiB of Python, which is what goes to a board. (What cannot be compressed was 3 to 13 times faster, as the
machine was busy or idle: then round trips alone count.)"""
ROWS = 128 * 1024
"""Rows of 8 bytes: 1 MiB of samples."""

CAPTURED = f"""
s = frames.Stream('trace', (('t', 'us', 'I'), ('count', '1', 'H'), ('demand', '1', 'h')))
b = bytearray({ROWS // 256 * 8})
for _ in range(256): s.packed(b)
"""


@pytest.fixture(scope="module")
def ours() -> Iterator[Board]:
    with running("interpreter") as name, Board.open(name, CLOCK) as board:
        board.write_file("warm", b"up")
        yield board


@pytest.fixture(scope="module")
def theirs() -> Iterator[object]:
    with running("interpreter") as name:
        transport = SerialTransport(name)
        transport.enter_raw_repl(soft_reset=False)
        yield transport
        transport.close()


def ratio(ours: Callable[[], object], theirs: Callable[[], object], rounds: int = 5, repeat: int = 1) -> float:
    """How many times longer theirs takes, by the least of interleaved rounds: both wait for a board in wall time."""

    def repeated(act: Callable[[], object]) -> None:
        for _ in range(repeat):
            act()

    times_s = least({"ours": partial(repeated, ours), "theirs": partial(repeated, theirs)}, rounds, CLOCK.now_s)
    ours_s, theirs_s = (times_s[side] / repeat for side in ("ours", "theirs"))
    print(f"ours {ours_s * 1e3:.3f} ms, mpremote {theirs_s * 1e3:.3f} ms, {theirs_s / ours_s:.2f} times longer")  # noqa: T201
    return theirs_s / ours_s


def test_a_command_takes_at_most_half_as_long_again(ours: Board, theirs: object) -> None:
    act = theirs.exec  # type: ignore[attr-defined]
    assert ratio(lambda: ours.execute("pass"), lambda: act("pass"), rounds=15, repeat=50) >= 1 / 1.5


def test_64_kib_to_the_board_at_least_5_times_faster(ours: Board, theirs: object) -> None:
    act = theirs.fs_writefile  # type: ignore[attr-defined]
    assert ratio(lambda: ours.write_file("trial", FILE), lambda: act("trial", FILE), rounds=15) >= 5.0
    assert ours.read_file("trial") == FILE


def test_1_mib_of_samples_back_at_least_50_times_faster(ours: Board, theirs: object) -> None:
    """mpremote reads an eighth of it, and its time counts eight times: it reads piece by piece, so its time a
    byte does not fall with the length, and the whole would take it three quarters of a minute a round."""
    eighth = ROWS * 8 // 8
    theirs.exec(f"f = open('samples', 'wb')\nf.write(bytes({eighth}))\nf.close()")  # type: ignore[attr-defined]

    def samples() -> None:
        with ours.run(CAPTURED) as run:
            parts = []
            while isinstance(frame := run.next_frame(), StreamRows):
                parts.append(frame.data)
        assert len(np.concatenate(parts)) == ROWS

    def file() -> None:
        assert len(theirs.fs_readfile("samples")) == eighth  # type: ignore[attr-defined]

    assert 8 * ratio(samples, file, rounds=3) >= 50
