"""The guard: a child process that switches the supply off when its host has died without doing so.

It sits in a session of its own (Ctrl-C at the terminal does not reach it), blocked on a pipe from the host.
The pipe ends when the host does, however that happens. Only then does it connect to the supply: many accept one
connection at a time. An orderly host says so before it closes the pipe, and the guard leaves without a trace.

As a program: `python -P -m harness.bench.guard --address VISA --log FILE [--channel N]`.
"""

from __future__ import annotations

import argparse
import contextlib
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from harness.base.clock import Clock, WallClock
from harness.base.errors import BenchError, InstrumentError
from harness.base.guard_log import add_note
from harness.bench.supply import switch_off
from harness.bench.visa import preload

RELEASE = b"release\n"
READY = b"ready\n"
RETRY_FOR_S = 5.0  # promised to users
RETRY_EVERY_S = 0.1  # arbitrary
ATTEMPT_S = 1.0  # arbitrary; a supply answers within milliseconds
READY_WITHIN_S = 20.0  # arbitrary; loading takes some 0.4 s, more on a busy machine


class Guard:
    """The host's side of a guard."""

    def __init__(self, process: subprocess.Popen[bytes], log: Path) -> None:
        self._process = process
        self._log = log

    @classmethod
    def start(cls, address: str, *, log: Path, channel: int | None = None) -> Self:
        """Start a guard for the supply at a VISA address; it appends to `log` what it does. Does not wait for it."""
        # -P: a folder named `harness` in the working directory must not be run.
        command = [
            sys.executable,
            "-P",
            "-m",
            "harness.bench.guard",
            "--address",
            address,
            "--log",
            str(log.absolute()),
        ]
        if channel is not None:
            command += ["--channel", str(channel)]
        apart = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0) | getattr(subprocess, "CREATE_NO_WINDOW", 0)
        try:
            process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                creationflags=apart,
            )
        except OSError as error:
            raise BenchError(f"the guard of the supply at {address} could not be started: {error.strerror}") from error
        return cls(process, log)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    @property
    def pid(self) -> int:
        """Process id of the guard."""
        return self._process.pid

    def wait_ready(self, timeout_s: float = READY_WITHIN_S) -> None:
        """Wait until the guard watches; before that no output may go on. Raises BenchError."""
        lines: list[bytes] = []
        pipe: IO[bytes] | None = self._process.stdout
        if pipe is None or pipe.closed:
            return
        reader = threading.Thread(target=lambda: lines.append(pipe.readline()), daemon=True)
        reader.start()
        reader.join(timeout_s)
        if lines != [READY]:
            raise BenchError(f"the guard of the supply did not start within {timeout_s:g} s; see {self._log}")
        pipe.close()

    def check(self) -> None:
        """Raises BenchError where the guard no longer watches."""
        code = self._process.poll()
        if code is not None:
            raise BenchError(
                f"the guard of the supply has ended by itself (code {code}), so nothing would switch the output off "
                f"if this program died: look into {self._log}, then run again"
            )

    def release(self) -> None:
        """Send it home: the supply is safe. Releasing twice is nothing."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            # A guard that has died already cannot be told; there is nothing to tell it.
            with contextlib.suppress(OSError):
                self._process.stdin.write(RELEASE)
                self._process.stdin.flush()
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(READY_WITHIN_S)
        if self._process.stdout is not None:
            self._process.stdout.close()


def watch(pipe: IO[bytes], address: str, channel: int | None, log: Path, clock: Clock) -> bool:
    """Block until the pipe ends, then switch the supply off unless released. Returns whether the supply is safe."""
    if pipe.read().endswith(RELEASE):
        return True
    add_note(log, f"the host has ended without a word; switching the supply at {address} off")
    started_s = clock.now_s()
    while True:
        try:
            switch_off(address, channel=channel, timeout_s=ATTEMPT_S)
        except InstrumentError as error:
            add_note(log, f"not yet: {error}")
        else:
            add_note(log, f"supply output off, {1000.0 * (clock.now_s() - started_s):.0f} ms after the host's end")
            return True
        if clock.now_s() - started_s + RETRY_EVERY_S > RETRY_FOR_S:
            add_note(log, f"gave up after {RETRY_FOR_S:g} s; the output may still be on: switch it off by hand")
            return False
        clock.sleep_s(RETRY_EVERY_S)


def main(arguments: Sequence[str] | None = None) -> int:
    """The guard's own process."""
    parser = argparse.ArgumentParser(prog="harness.bench.guard", description="Switch a supply off when the host dies.")
    parser.add_argument("--address", required=True, help="VISA address of the supply")
    parser.add_argument("--channel", type=int, help="output, where it has several")
    parser.add_argument("--log", required=True, type=Path, help="file to append to")
    options = parser.parse_args(arguments)
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    preload()
    # The host may have died meanwhile: then nobody reads this.
    with contextlib.suppress(OSError):
        sys.stdout.buffer.write(READY)
        sys.stdout.buffer.flush()
    return 0 if watch(sys.stdin.buffer, options.address, options.channel, options.log, WallClock()) else 1


if __name__ == "__main__":
    sys.exit(main())
