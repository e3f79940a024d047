"""The simulated bench as a process: what it writes, how it ends, what happens when somebody dies or a cable is
pulled."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from harness.base.clock import BenchClock
from harness.base.errors import BenchError, RigFileError
from tests.patience import PATIENCE_S, has_ended, until
from tests.results import ROOT

pytestmark = pytest.mark.board
RAW = b"raw REPL; CTRL-B to exit\r\n>"


def bench_command(*arguments: str) -> list[str]:
    return [sys.executable, "-P", "-m", "rigs_demo", *arguments]


class Running:
    """A started bench and a host's two connections to it."""

    def __init__(self, folder: Path, scenario: str, *arguments: str) -> None:
        self.process = subprocess.Popen(
            bench_command(scenario, "--rig-file", str(folder / "bench.toml"), *arguments),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=folder,
            start_new_session=True,
        )
        assert self.process.stdout is not None
        self.said: dict[str, Any] = json.loads(self.process.stdout.readline())
        self.rig = tomllib.loads(Path(self.said["rig_file"]).read_text(encoding="utf-8"))

    def connect(self) -> None:
        self.clock = BenchClock(self.rig["clock"]["address"])
        self.port = serial.Serial(self.rig["board"]["port"], timeout=PATIENCE_S, write_timeout=PATIENCE_S)
        self.wire = self.clock.wire()
        self.received = 0

    def write(self, data: bytes) -> None:
        self.port.write(data)
        self.wire.note_sent(len(data))

    def until(self, end: bytes, within_s: float = 2.0) -> bytes:
        found = b""
        deadline_s = self.clock.now_s() + within_s
        while not found.endswith(end):
            out = self.wire.run_for_output(self.received, deadline_s)
            if out == self.received:
                break
            found += self.port.read(out - self.received)
            self.received = out
        return found

    def board_pids(self) -> list[int]:
        text = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text(encoding="ascii")
        return [int(part) for part in text.split()]

    def end(self) -> None:
        with contextlib.suppress(Exception):
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        for connection in (getattr(self, "port", None), getattr(self, "clock", None)):
            if connection is not None:
                with contextlib.suppress(Exception):
                    connection.close()


@contextlib.contextmanager
def started(folder: Path) -> Iterator[Running]:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
    running = Running(folder, "sluice", "--seed", "1")
    try:
        running.connect()
        yield running
    finally:
        running.end()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Running]:
    with started(tmp_path) as running:
        yield running


IMPATIENT = "tests.software.simulated_bench.impatient"
STARTER = """
import subprocess, sys
child = subprocess.Popen([sys.executable, "-m", *sys.argv[1:]], stdout=subprocess.PIPE, start_new_session=True)
print(child.stdout.readline().decode(), flush=True)
sys.stdin.readline()
"""


def test_a_bench_whose_starter_died_before_a_host_came_ends_by_itself(tmp_path: Path) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
    command = [sys.executable, "-c", STARTER, IMPATIENT, "sluice", "--rig-file", str(tmp_path / "bench.toml")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT) as starter:
        assert starter.stdin is not None
        assert starter.stdout is not None
        pid = int(json.loads(starter.stdout.readline())["pid"])
        try:
            time.sleep(1.5)
            assert not has_ended(pid)  # while its starter lives it waits for a host
            starter.stdin.close()
            starter.wait(PATIENCE_S)
            until(lambda: has_ended(pid), "the bench's end")
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


def test_the_rig_file_names_real_addresses_and_the_clock(bench: Running) -> None:
    assert bench.said["pid"] == bench.process.pid
    text = Path(bench.said["rig_file"]).read_text(encoding="utf-8")
    assert "simulated:" not in text
    assert bench.rig["instrument"]["supply"]["address"].startswith("TCPIP0::127.0.0.1::")
    assert bench.rig["board"]["port"].startswith("/dev/")


def test_a_host_reaches_the_board_in_the_benchs_own_time(bench: Running) -> None:
    bench.write(b"\r\x03\x01")
    assert bench.until(RAW).endswith(RAW)
    before_s, wall_s = bench.clock.now_s(), time.monotonic()
    bench.write(b"import time\ntime.sleep(100)\nprint('late')\x04")
    assert bench.until(b"\x04\x04>", 200.0) == b"OKlate\n\x04\x04>"
    assert bench.clock.now_s() - before_s == pytest.approx(100.0, abs=0.01)
    assert time.monotonic() - wall_s < 100.0


def test_a_serial_timeout_costs_no_wall_time(bench: Running) -> None:
    wall_s = time.monotonic()
    bench.until(b">>> ")
    before_s = bench.clock.now_s()
    assert bench.until(b"never", 1000.0) == b""
    assert bench.clock.now_s() - before_s == pytest.approx(1000.0)
    assert time.monotonic() - wall_s < 1000.0


def test_more_output_than_the_port_holds_arrives_whole(bench: Running) -> None:
    bench.write(b"\r\x03\x01")
    bench.until(RAW)
    bench.write(b"import sys\nfor i in range(1000): sys.stdout.buffer.write(bytes(range(48, 112)))\x04")
    assert bench.until(b"\x04\x04>") == b"OK" + bytes(range(48, 112)) * 1000 + b"\x04\x04>"


def test_a_flood_of_output_is_stopped_by_ctrl_c(bench: Running) -> None:
    bench.write(b"\r\x03\x01")
    bench.until(RAW)
    bench.write(b"while True: print('x' * 1000)\x04")
    bench.wire.run_for_output(bench.received, bench.clock.now_s() + 0.1)
    bench.write(b"\x03")
    found = b""
    for _ in range(100):
        out = bench.wire.run_for_output(bench.received, bench.clock.now_s() + 0.1)
        found = (found + bench.port.read(out - bench.received))[-1000:]
        bench.received = out
        if found.endswith(b"\x04>"):
            break
    assert b"KeyboardInterrupt" in found


def test_a_pulled_cable_is_a_serial_error_and_the_board_lives_on(bench: Running) -> None:
    ask(bench, op="unplug")
    with pytest.raises((serial.SerialException, OSError)):
        for _ in range(3):
            bench.port.read(1)
    assert bench.clock.now_s() >= 0.0
    assert len(bench.board_pids()) == 1


def test_pulled_with_the_boards_power_it_goes_dark(bench: Running) -> None:
    ask(bench, op="unplug", power=False)
    assert bench.board_pids() == []
    bench.clock.sleep_s(1.0)


def test_reset_button(bench: Running) -> None:
    bench.until(b">>> ")
    ask(bench, op="reset")
    assert b"MicroPython" in bench.until(b">>> ")


def ask(bench: Running, **message: object) -> None:
    bench.clock.ask(**message)


def test_wrong_control_messages_are_told_and_harm_nothing(bench: Running) -> None:
    for message in ({"op": "fly"}, {"op": "run"}, {"op": "run", "sent": "x", "received": 0, "until_ns": 0}):
        with pytest.raises(BenchError, match="expected one JSON object"):
            ask(bench, **message)
    assert bench.clock.now_s() == 0.0


def test_a_host_that_leaves_lets_the_bench_end_at_once_and_silently(bench: Running) -> None:
    board = bench.board_pids()[0]
    bench.clock.close()
    _, errors = bench.process.communicate(timeout=PATIENCE_S)
    assert bench.process.returncode == 0
    assert errors == b""
    until(lambda: has_ended(board), "the board's end")


@pytest.mark.slow
def test_a_host_that_vanishes_leaves_the_bench_up_for_the_guard(bench: Running) -> None:
    _, host, port, _ = bench.rig["instrument"]["supply"]["address"].split("::")
    bench.clock._socket.close()
    time.sleep(0.5)
    with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as guard:
        guard.sendall(b"OUTP OFF;*OPC?\n")
        assert guard.recv(100) == b"1\n"
    assert bench.process.wait(PATIENCE_S) == 0


@pytest.mark.slow
def test_the_bench_ends_after_its_host_whatever_the_board_does(tmp_path: Path) -> None:
    with contextlib.ExitStack() as all_at_once:  # each takes up to a quarter of a minute of the wall's time
        left = {}
        for number, script in enumerate(("while True: pass", "time.sleep(1000)", "while True: print('x' * 1000)")):
            folder = tmp_path / str(number)
            folder.mkdir()
            bench = left[script] = all_at_once.enter_context(started(folder))
            bench.write(b"\r\x03\x01")
            bench.until(RAW)
            bench.write(
                f"import time\nfrom machine import Timer\nt = Timer(-1)\n"
                f"t.init(period=1, callback=lambda _: None, hard=False)\n{script}\x04".encode()
            )
            bench.wire.run_for_output(bench.received, bench.clock.now_s() + 0.1)
            bench.clock._socket.close()
            bench.port.close()
        for script, bench in left.items():
            assert bench.process.wait(PATIENCE_S) == 0, script


def test_a_killed_bench_takes_its_board_with_it(bench: Running) -> None:
    board = bench.board_pids()[0]
    bench.process.kill()
    until(lambda: has_ended(board), "the board's end")
    with pytest.raises(BenchError, match=r"no answer|has ended"):
        bench.clock.sleep_s(0.1)


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_bench_and_board_and_leaves_no_files(bench: Running, number: signal.Signals) -> None:
    board = bench.board_pids()[0]
    flash = Path(f"/proc/{board}/cwd").readlink()
    os.kill(bench.process.pid, number)
    _, errors = bench.process.communicate(timeout=PATIENCE_S)
    assert (bench.process.returncode, errors) == (0, b"")
    until(lambda: has_ended(board), "the board's end")
    assert not flash.exists()


def test_free_run_needs_no_clock(tmp_path: Path) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
    running = Running(tmp_path, "handwheel", "--wall-clock")
    try:
        assert "clock" not in running.rig
        with serial.Serial(running.rig["board"]["port"], timeout=PATIENCE_S) as port:
            port.write(b"\r\x03\x01")
            assert port.read_until(RAW).endswith(RAW)
            begun_s = time.monotonic()
            port.write(b"import time\ntime.sleep_ms(300)\nprint('x')\x04")
            assert port.read_until(b"\x04\x04>") == b"OKx\n\x04\x04>"
            assert time.monotonic() - begun_s > 0.25
            port.write(b"while True: time.sleep(1)\x04")
            port.read_until(b"OK")
            port.write(b"\x03")
            assert b"KeyboardInterrupt" in port.read_until(b"\x04>")
    finally:
        running.end()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["weir"], "scenario: expected one of handwheel, sluice, found 'weir'"),
        (["../sluice"], "scenario: expected one of"),
        (["sluice", "--with-fault", "gremlin"], "gremlin"),
        (["sluice", "--seed", "x"], "--seed"),
        (["sluice", "--cost", "1"], "--cost: expected 100 to 100000, found 1"),
        ([], "scenario"),
    ],
)
def test_wrong_use_is_one_line_and_exit_4(arguments: list[str], words: str) -> None:
    done = subprocess.run(bench_command(*arguments), capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 4
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert words in done.stderr


def test_without_an_interpreter_it_says_so(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import importlib.util as u\nfind = u.find_spec\n"
        "u.find_spec = lambda name, *a: None if name == 'micropython_unix' else find(name, *a)\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(tmp_path), "PATH": str(tmp_path)}
    done = subprocess.run(
        bench_command("sluice"), capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=environment
    )
    assert done.returncode == 3
    assert "no MicroPython interpreter" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    # One on PATH is taken then; this one is the wheel's command, which has not what it takes to share memory.
    environment["PATH"] = str(Path(sys.executable).parent)
    done = subprocess.run(
        bench_command("sluice"), capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=environment
    )
    assert done.returncode == 3
    assert "the simulated board does not start" in done.stderr


@pytest.mark.parametrize("address", ["", "localhost", "localhost:x", "localhost:0", "localhost:70000"])
def test_a_clock_address_is_checked(address: str) -> None:
    with pytest.raises(RigFileError, match=r"clock\.address: expected HOST:PORT"):
        BenchClock(address)


def test_a_clock_that_nobody_serves_is_bench_trouble() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(BenchError, match="no answer from the bench that owns the time"):
        BenchClock(f"127.0.0.1:{port}")
