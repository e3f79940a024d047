"""The guard, with a host that is killed outright: the supply proven on before and off after."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.base.clock import WallClock
from harness.base.errors import BenchError
from harness.bench.guard import RELEASE, RETRY_FOR_S, Guard, watch
from harness.bench.visa import Session
from tests.patience import PATIENCE_S, has_ended, until

from .scripted import scripted

HOST = """
import sys
from pathlib import Path
from harness.bench.guard import Guard
from harness.bench.supply import Supply
from harness.bench.visa import Session
from harness.rigfile.known import Accuracy
entry = Accuracy(percent=0.1, offset=0.0)
address, log, end = sys.argv[1:]
with Guard.start(address, log=Path(log)) as guard:
    supply = Supply(Session.open("supply", address), voltage_accuracy=entry, current_accuracy=entry)
    supply.configure(voltage_v=12.0, current_limit_a=1.5, protection_v=14.0)
    guard.wait_ready()
    supply.output_on()
    print(guard.pid, flush=True)
    sys.stdin.readline()
    if end == "leave on":
        supply.close()
"""


@contextmanager
def supply_process() -> Iterator[str]:
    """Instruments in a process of their own, which outlives the host; yields the supply's address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.software.instruments.stub_bench"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[3],
    )
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())["supply"]
    finally:
        process.communicate()


@contextmanager
def host(address: str, log: Path, end: str = "") -> Iterator[tuple[subprocess.Popen[str], int]]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOST, address, str(log), end], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield process, int(process.stdout.readline())
    finally:
        process.kill()
        process.communicate()


def output_is_on(address: str) -> bool:
    with Session.open("supply", address, timeout_s=PATIENCE_S) as session:
        return session.number("OUTP?") == 1.0


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="signals of POSIX")
def test_host_killed_outright(tmp_path: Path) -> None:
    log = tmp_path / "guard.log"
    with supply_process() as address, host(address, log) as (process, guard_pid):
        assert output_is_on(address)
        # Neither Ctrl-C at the terminal nor a hang-up ends the guard.
        assert os.getsid(guard_pid) != os.getsid(process.pid)
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            os.kill(guard_pid, number)
        time.sleep(0.05)
        assert output_is_on(address)
        assert not log.exists()
        process.kill()
        process.wait()
        until(lambda: has_ended(guard_pid), "the guard's end")
        assert not output_is_on(address)
    lines = log.read_text().splitlines()
    assert len(lines) == 2
    assert f"guard {guard_pid}: the host has ended without a word; switching the supply at {address} off" in lines[0]
    assert "supply output off, " in lines[1]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="signals of POSIX")
def test_orderly_host_sends_the_guard_home_untouched(tmp_path: Path) -> None:
    log = tmp_path / "guard.log"
    with supply_process() as address, host(address, log, "leave on") as (process, guard_pid):
        process.communicate("\n", timeout=PATIENCE_S)
        until(lambda: has_ended(guard_pid), "the guard's end")
        assert output_is_on(address)  # so it was not the guard who would have switched it off
    assert not log.exists()


def test_a_guard_that_cannot_start_is_said_before_anything_is_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONHOME", str(tmp_path))
    with (
        Guard.start("TCPIP0::127.0.0.1::1::SOCKET", log=tmp_path / "guard.log") as guard,
        pytest.raises(Exception, match="guard of the supply did not start"),
    ):
        guard.wait_ready(PATIENCE_S)


def test_a_guard_that_has_ended_is_noticed(tmp_path: Path) -> None:
    with Guard.start("TCPIP0::127.0.0.1::1::SOCKET", log=tmp_path / "guard.log") as guard:
        guard.wait_ready()
        guard.check()
        os.kill(guard.pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        guard._process.wait(PATIENCE_S)
        with pytest.raises(BenchError, match=r"the guard of the supply has ended by itself \(code .*guard\.log"):
            guard.check()


class QuickClock(WallClock):
    """Five seconds in no time."""

    def __init__(self) -> None:
        self.at_s = 0.0

    def now_s(self) -> float:
        return self.at_s

    def sleep_s(self, duration_s: float) -> None:
        self.at_s += duration_s


def test_it_tries_for_five_seconds_and_says_why_it_failed(tmp_path: Path) -> None:
    log, clock = tmp_path / "guard.log", QuickClock()
    assert not watch(io.BytesIO(b""), "TCPIP0::127.0.0.1::1::SOCKET", None, log, clock)
    assert RETRY_FOR_S - 0.2 < clock.at_s <= RETRY_FOR_S
    lines = log.read_text().splitlines()
    assert len(lines) > 20
    assert "not yet: instrument supply at TCPIP0::127.0.0.1::1::SOCKET: OUTP OFF;*OPC?: connection refused" in lines[1]
    assert lines[-1].endswith("gave up after 5 s; the output may still be on: switch it off by hand")


def test_it_tries_again_until_the_supply_answers(tmp_path: Path) -> None:
    asked: list[str] = []

    def answer(message: str) -> bytes | None:
        asked.append(message)
        if message.startswith("OUTP?"):
            return b"1\n" if asked.count("OUTP?") < 3 else b"0\n"
        return b'0,"No error"\n' if message == "SYST:ERR?" else b"1\n"

    with scripted(answer) as instrument:
        assert watch(io.BytesIO(b""), instrument.address, None, tmp_path / "guard.log", QuickClock())
    assert asked.count("OUTP OFF;*OPC?") == 3
    assert asked[0] == "OUTP OFF;*OPC?"  # nothing before it


@pytest.mark.parametrize(("sent", "released"), [(RELEASE, True), (b"", False), (b"rel", False), (b"release", False)])
def test_only_the_whole_word_releases(tmp_path: Path, sent: bytes, released: bool) -> None:
    asked: list[str] = []
    with scripted(lambda message: asked.append(message) or b"0\n") as instrument:  # type: ignore[func-returns-value]
        watch(io.BytesIO(sent), instrument.address, 2, tmp_path / "guard.log", QuickClock())
    assert (asked == []) == released
    if not released:
        assert asked[0] == "INST:NSEL 2;:OUTP OFF;*OPC?"


def test_a_log_that_cannot_be_written_does_not_keep_it_from_its_task(tmp_path: Path) -> None:
    asked: list[str] = []
    with scripted(lambda message: asked.append(message) or b"0\n") as instrument:  # type: ignore[func-returns-value]
        watch(io.BytesIO(b""), instrument.address, None, tmp_path / "no" / "guard.log", _Ending())
    assert asked[0] == "OUTP OFF;*OPC?"


class _Ending(QuickClock):
    """A clock on which the time for trying is over after one try."""

    def now_s(self) -> float:
        self.at_s += RETRY_FOR_S
        return self.at_s
