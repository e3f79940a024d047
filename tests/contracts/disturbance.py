"""A line between host and board that does something to one byte, of what is sent or of what is heard.

    python -m tests.contracts.disturbance                every byte of every exchange: an hour or more
    python -m tests.contracts.disturbance --every 9      one in nine

What arrives is what was sent, or it is refused in words; nothing hangs, and the board is had back.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from harness.base.clock import WallClock
from harness.base.errors import BenchError, LinkLost
from harness.link.answers import SAY, answers
from harness.link.board import Board
from harness.link.frames import Event, StreamRows
from tests.contracts.boards import running
from tests.results import table

KINDS = ("changed", "lost", "repeated", "late", "cut")
LATE_S = 0.02
WAIT_S = 0.5
"""For each step of an exchange: the stand-in takes some milliseconds."""
LONGEST_S = 20.0
"""Wall time of one exchange with its way back; what takes longer hangs (arbitrary: some waits one after another)."""
CONTENT = bytes(range(256)) * 2


@dataclass(kw_only=True)
class Disturbance:
    """What is done to one byte, counted from when it is armed."""

    heard: bool
    """Whether to what the host hears; else to what it sends."""
    kind: str
    at: int


@dataclass
class DisturbedPort:
    """A port of which one byte, at most, is not what it was. What it does not change it leaves to the port."""

    port: Any
    disturbance: Disturbance | None = None
    passed: Counter[bool] = field(default_factory=Counter)
    """Bytes that have passed since then, sent (False) and heard (True)."""
    gone: bool = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self.port, name)

    def arm(self, disturbance: Disturbance | None) -> None:
        """Count from here."""
        self.disturbance, self.passed = disturbance, Counter()

    def write(self, data: bytes) -> None:
        self.port.write(self._passing(data, heard=False))

    def read(self, deadline_s: float) -> bytes:
        return self._passing(self.port.read(deadline_s), heard=True)

    def _passing(self, data: bytes, *, heard: bool) -> bytes:
        begin = self.passed[heard]
        self.passed[heard] += len(data)
        wanted = self.disturbance
        if wanted is None or wanted.heard is not heard or not begin <= wanted.at < self.passed[heard]:
            if self.gone:
                raise LinkLost("the line is cut")
            return data
        self.disturbance = None
        place = wanted.at - begin
        match wanted.kind:
            case "changed":
                return data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :]
            case "lost":
                return data[:place] + data[place + 1 :]
            case "repeated":
                return data[: place + 1] + data[place:]
            case "late":
                time.sleep(LATE_S)
                return data
        self.gone = True
        if not heard:
            self.port.write(data[:place])
        raise LinkLost("the line is cut")


def answer(board: Board) -> object:
    said = answers(board.execute_checked(f"{SAY}_say(list(range(10000, 10012)))", WAIT_S))
    if len(said) != 1:
        raise BenchError(f"expected an answer, found {len(said)}")
    return said


def identity(board: Board) -> object:
    return board.identity()


def script(board: Board) -> object:
    source = (
        "s = frames.Stream('trace', (('t', 'us', 'I'),), 40)\n"
        "for i in range(30): s.row(i * 12345)\n"
        "frames.event('limits', (300, 12516))"
    )
    rows: list[object] = []
    with board.run(source, WAIT_S) as run:
        while (frame := run.next_frame(WAIT_S)) is not None:
            rows += (
                [frame] if isinstance(frame, Event) else frame.data.tolist() if isinstance(frame, StreamRows) else []
            )
    return rows


def lines(board: Board) -> object:
    source = (
        "box = frames.Inbox()\ntaken = []\n"
        "while len(taken) < 3:\n line = box.line(20)\n if line: taken.append(line)\n"
        "frames.event('taken', taken)"
    )
    with board.run(source, WAIT_S) as run:
        for order in (b"f 0 9000 300", b"f 0 100 0", b"x"):
            run.send(order, WAIT_S)
        return run.next_frame(WAIT_S)


def file_sent(board: Board) -> object:
    board.write_file("sent", CONTENT, WAIT_S)
    return None


def file_heard(board: Board) -> object:
    return board.read_file("kept", WAIT_S)


def soft_reset(board: Board) -> object:
    board.soft_reset(WAIT_S)
    return None


EXCHANGES: Mapping[str, Callable[[Board], object]] = {
    exchange.__name__.replace("_", " "): exchange
    for exchange in (answer, identity, script, lines, file_sent, file_heard, soft_reset)
}


class Line:
    """A board behind a line that can be disturbed, and what each exchange gives undisturbed."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.port = DisturbedPort(board.port)
        board.port = self.port  # type: ignore[assignment]
        board.write_file("kept", CONTENT)
        for exchange in EXCHANGES.values():
            exchange(board)  # whatever is done only once is done
        self.right: dict[str, object] = {}
        self.lengths: dict[str, Counter[bool]] = {}
        for name, exchange in EXCHANGES.items():
            self.port.arm(None)
            self.right[name] = exchange(board)
            self.lengths[name] = self.port.passed

    def outcome(self, name: str, disturbance: Disturbance) -> str:
        """`as sent`, or `refused`. Raises AssertionError for anything else."""
        began_s = time.monotonic()
        self.port.arm(disturbance)
        try:
            found = EXCHANGES[name](self.board)
        except BenchError as error:
            assert "\n" not in str(error), f"{name}, {disturbance}: {error}"
            outcome = "refused"
        else:
            assert found == self.right[name], f"{name}, {disturbance}: {found!r}"
            outcome = "as sent"
        self._back(name, disturbance)
        assert time.monotonic() - began_s < LONGEST_S, f"{name}, {disturbance}: took too long"
        return outcome

    def _back(self, name: str, disturbance: Disturbance) -> None:
        self.port.arm(None)
        self.port.gone = False
        self.board.enter()
        assert self.board.execute("print(1)") == "1\n", f"{name}, {disturbance}"
        if name == "file sent":
            assert self.board.read_file("sent") in (CONTENT, b""), f"{name}, {disturbance}"


def disturbances(line: Line, name: str, every: int = 1, first: int = 0) -> Iterator[Disturbance]:
    """One of each kind at every so many bytes of an exchange, both ways."""
    for heard in (False, True):
        for at in range(first % every, line.lengths[name][heard], every):
            for kind in KINDS:
                yield Disturbance(heard=heard, kind=kind, at=at)


def main() -> int:
    """Disturb every byte, or one in so many, and show what became of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=int, default=1, help="bytes from one that is disturbed to the next")
    every = parser.parse_args().every
    rows = []
    for name in EXCHANGES:
        with running("stand-in") as terminal, Board.open(terminal, WallClock()) as board:
            line = Line(board)
            found: Counter[tuple[str, str]] = Counter()
            for disturbance in disturbances(line, name, every):
                found[disturbance.kind, line.outcome(name, disturbance)] += 1
        cells = [f"{found[kind, 'as sent']} and {found[kind, 'refused']}" for kind in KINDS]
        rows.append((name, f"{line.lengths[name][False]} and {line.lengths[name][True]}", *cells))
        sys.stderr.write(f"{rows[-1]}\n")
    text = (
        "Each byte of each exchange with the stand-in, both ways, one at a time: how many arrived as sent in the end, "
        "and how many were refused in one line. None was ever another one, none hung, and the board "
        f"answered after each.\n\n{table(('exchange', 'bytes sent and heard', *KINDS), rows)}"
    )
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
