"""The simulated board acts as a board: deadman, Ctrl-C, resets, watchdog, boot files, in every state it can be in."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from threading import Timer
from types import SimpleNamespace
from typing import Any

import pytest

from rigs_demo.board import process, system
from tests.software.simulated_bench.direct import MS, RAW, Direct, direct

pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
pytestmark = pytest.mark.board
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="the system does not tell what the board waits for")

DEADMAN = """
from machine import Pin, PWM, Timer
import sys, time, select
enable = Pin(6, Pin.OUT, value=1)
phase = PWM(Pin(0), freq=20000, duty_u16=40000)
def off(_):
    enable(0)
    phase.duty_u16(0)
timer = Timer(-1)
begun = time.ticks_us()
timer.init(mode=Timer.ONE_SHOT, period=300, callback=off, hard=%s)
"""
STATES = {
    "sleeping": "time.sleep(2)",
    "reading": "sys.stdin.buffer.read(1)",
    "polling": "p = select.poll(); p.register(sys.stdin, select.POLLIN); p.poll(2000)",
    "at the prompt": "",
    "stuck": "while True: pass",
    "touching": "while True: time.ticks_us()",
}


def some(*states: str) -> list[object]:
    """States as parameters; being stuck takes the board a second of processor time to show."""
    return [pytest.param(state, marks=[pytest.mark.slow] if state == "stuck" else []) for state in states]


@pytest.fixture
def board() -> Iterator[Direct]:
    with direct() as bench:
        bench.raw()
        yield bench


@pytest.mark.parametrize("hard", [True, False])
@pytest.mark.parametrize("state", some(*STATES))
def test_deadman_trips_at_its_time_in_every_state(board: Direct, state: str, hard: bool) -> None:
    board.start(DEADMAN % hard + STATES[state])
    board.run_ms(250)
    assert board.plant.enabled[0] is True
    board.run_ms(250)
    assert board.plant.enabled[0] is False
    assert board.plant.duty[0, 0] == 0.0
    on, off = [t for t, what, motor, _ in board.plant.changes if what == "enable" and motor == 0][-2:]
    assert off - on == pytest.approx(300 * MS, abs=1 * MS)


@pytest.mark.parametrize("state", some("sleeping", "reading", "polling", "stuck", "touching"))
def test_ctrl_c_interrupts_a_script_in_every_state(board: Direct, state: str) -> None:
    board.start(f"import sys, time, select\ntry:\n  {STATES[state]}\nexcept KeyboardInterrupt: print('stopped')")
    board.run_ms(50)
    before_ns = board.bench.now_ns
    board.type(b"\x03")
    assert b"stopped" in board.until(b"\x04\x04>")
    assert board.bench.now_ns - before_ns < 1 * MS


def test_ctrl_c_at_the_prompt_and_in_a_paste_is_data(board: Direct) -> None:
    board.type(b"\x05A\x01")
    board.until(b"R\x01\x80\x00\x01")
    board.type(b"abc\x03")
    assert b"KeyboardInterrupt" in board.until(b"\x04>")
    board.type(b"\x03")
    board.run_ms(1)
    assert board.execute("print(6 * 7)") == "42\n"


def test_ctrl_c_is_data_after_kbd_intr(board: Direct) -> None:
    board.start("import micropython, sys\nmicropython.kbd_intr(-1)\nprint(sys.stdin.buffer.read(2))")
    board.run_ms(5)
    board.type(b"\x03x")
    assert b"b'\\x03x'" in board.until(b"\x04\x04>")


def test_a_timer_keeps_running_at_the_prompt_and_stops_with_the_reset(board: Direct) -> None:
    setup = "from machine import Pin, Timer\nled = Pin(6, Pin.OUT)\nt = Timer(-1)\n"
    board.execute(setup + "t.init(period=1, callback=lambda _: led(1), hard=False)")
    board.plant.changes.clear()
    board.run_ms(20)
    assert 19 <= len(board.plant.changes) <= 21
    board.type(b"\x04")
    board.until(RAW)
    board.plant.changes.clear()
    board.run_ms(20)
    assert board.plant.changes == []


def test_soft_reset_stays_in_raw_mode_and_releases_the_outputs(board: Direct) -> None:
    board.execute(DEADMAN % True + "x = 1")
    assert board.plant.enabled[0]
    board.type(b"\x04")
    assert b"MPY: soft reboot\r\n" + RAW in board.until(RAW)
    assert not board.plant.enabled[0]
    assert board.execute("print('x' in globals())") == "False\n"


def test_a_script_that_resets_the_board_ends_in_raw_mode_without_its_prompt(board: Direct) -> None:
    board.start("import machine\nmachine.soft_reset()")
    assert board.until(RAW) == b"OK\x04\x04MPY: soft reboot\r\n" + RAW


def test_hard_reset_comes_up_friendly(board: Direct) -> None:
    board.start("import machine\nmachine.reset()")
    assert board.until(b">>> ").startswith(b"OKMicroPython ")
    board.raw()
    assert board.execute("import machine\nprint(machine.reset_cause() == machine.HARD_RESET)") == "True\n"


def test_reset_button(board: Direct) -> None:
    board.execute(DEADMAN % True)
    board.bench.reset_button()
    assert not board.plant.enabled[0]
    board.until(b">>> ")


@pytest.mark.parametrize("state", some("sleeping", "reading", "at the prompt", "stuck"))
def test_the_watchdog_bites_in_every_state(board: Direct, state: str) -> None:
    setup = "import sys, time\nfrom machine import WDT, Pin\nPin(6, Pin.OUT, value=1)\nw = WDT(timeout=100)\n"
    board.start(setup + STATES[state])
    board.run_ms(90)
    assert board.plant.enabled[0]
    board.run_ms(20)
    assert not board.plant.enabled[0]
    board.until(b">>> ")
    board.raw()
    assert board.execute("import machine\nprint(machine.reset_cause() == machine.WDT_RESET)") == "True\n"


def test_a_fed_watchdog_does_not_bite_and_survives_a_soft_reset(board: Direct) -> None:
    setup = "import time\nfrom machine import WDT\nw = WDT(timeout=100)\n"
    board.execute(setup + "for _ in range(10):\n  time.sleep_ms(50)\n  w.feed()")
    assert board.board.starts == 1
    board.type(b"\x04")
    board.until(RAW)
    board.run_ms(110)
    assert board.board.starts == 3


def test_boot_and_main_run_as_on_a_board() -> None:
    files = {"boot.py": "print('boot')", "main.py": "import time\nprint('main')\nwhile True:\n  time.sleep(1)"}
    with direct(files) as board:
        board.run_ms(1500)
        assert board.output == b"boot\nmain\n"
        board.type(b"\x03")
        assert b"KeyboardInterrupt" in board.until(b">>> ")
        board.raw()
        board.type(b"\x04")
        assert b"main" not in board.until(RAW)  # from raw mode: boot.py alone
        board.type(b"\x02")
        board.until(b">>> ")
        board.type(b"\x04")
        board.run_ms(10)
        assert board.output.endswith(b"boot\nmain\n")


def test_files_survive_resets_and_the_machine_is_out_of_reach(board: Direct) -> None:
    board.execute("with open('/kept.py', 'w') as f: f.write('answer = 42')")
    board.type(b"\x04")
    board.until(RAW)
    assert board.execute("import os, kept\nprint(kept.answer, os.listdir('/'))") == "42 ['kept.py']\n"
    assert board.execute("try: open('/etc/passwd')\nexcept OSError: print('none')") == "none\n"


def test_it_says_that_it_is_simulated(board: Direct) -> None:
    assert "SIMULATED" in board.execute("import os\nprint(os.uname()[4])")
    assert board.execute("import machine\nprint(machine.unique_id()[:4])") == "b'SIMU'\n"


def test_asyncio_is_refused_rather_than_wrong(board: Direct) -> None:
    board.start("import asyncio\nasyncio.run(None)")
    assert b"NotImplementedError: asyncio is not on the simulated board" in board.until(b"\x04>")


@pytest.mark.parametrize("wakes", [b"print('here')\x04", b"\x03"])
def test_input_reaches_a_board_that_waits_between_callbacks(board: Direct, wakes: bytes) -> None:
    board.execute(
        "from machine import Pin, Timer\nled = Pin(6, Pin.OUT)\nt = Timer(-1)\n"
        "t.init(period=1, callback=lambda _: led(1), hard=False)"
    )
    board.run_ms(10.5)
    board.type(wakes)
    board.run_ms(3)
    board.output = b""
    assert board.execute("print(6 * 7)").endswith("42\n")
    board.start("import sys\ntry: sys.stdin.buffer.read(1)\nexcept KeyboardInterrupt: print('stopped')")
    board.run_ms(10.5)
    board.type(b"\x03")
    assert b"stopped" in board.until(b"\x04\x04>", 10)


def test_power_off_lets_time_go_on(board: Direct) -> None:
    board.execute(DEADMAN % True)
    board.bench.power_off()
    assert not board.plant.enabled[0]
    board.run_ms(1000)
    assert board.plant.time_ns == board.bench.now_ns


def test_what_stands_in_for_built_in_modules_leaves_no_line_in_a_traceback(board: Direct) -> None:
    board.start("def inner():\n Pin(99)\nfrom machine import Pin\ninner()")
    said = board.until(b"\x04>")
    places = [line.strip() for line in said.decode().splitlines() if "File" in line]
    assert places == ['File "<stdin>", line 4, in <module>', 'File "<stdin>", line 2, in inner']
    assert b"ValueError: invalid pin" in said


def untold(self: system.Blocked, which: int) -> bool:
    """As on a system without /proc."""
    self.system_tells = False
    return False


def test_a_board_that_gets_no_processor_while_it_begins_has_not_failed(monkeypatch) -> None:
    def starved(*args: Any, **named: Any) -> subprocess.Popen[bytes]:
        begun = subprocess.Popen(*args, **named)
        begun.send_signal(signal.SIGSTOP)
        Timer(0.1, begun.send_signal, [signal.SIGCONT]).start()
        return begun

    monkeypatch.setattr(system.Blocked, "_reads", untold)
    monkeypatch.setattr(process, "subprocess", SimpleNamespace(Popen=starved, DEVNULL=subprocess.DEVNULL))
    with direct() as board:
        board.raw()
        assert board.execute("print(2 + 3)") == "5\n"


@linux_only
def test_a_board_that_somebody_has_stopped_lets_time_go_on(board: Direct) -> None:
    board.start(STATES["sleeping"])
    board.run_ms(100.0)
    assert board.board.process is not None
    board.board.process._process.send_signal(signal.SIGSTOP)
    board.start("print('heard')")
    before_ns = board.bench.now_ns
    board.run_ms(300.0)
    assert board.bench.now_ns == before_ns + 300 * MS
    board.board.process._process.send_signal(signal.SIGCONT)
    assert b"heard" in board.until(b"\x04\x04>")


@pytest.mark.parametrize("tells", [pytest.param(True, marks=linux_only), False])
def test_a_board_that_waits_for_an_answer_that_nobody_owes_it_looks_again(tells: bool, monkeypatch) -> None:
    if not tells:
        monkeypatch.setattr(system.Blocked, "_reads", untold)
    with direct() as board:
        board.raw()
        # As after a request that one from a callback took over: both wait, and only one is answered.
        board.start("import _bench\n_bench._answers.readinto(bytearray(1))\nprint('looked')")
        assert b"looked" in board.until(b"\x04\x04>")
