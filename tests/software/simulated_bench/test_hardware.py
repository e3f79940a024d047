"""Pins, pulse widths, buses and timers of the simulated board, and what they cost in simulated time."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from rigs_demo.board import page
from tests.software.simulated_bench.direct import Direct, direct

pytestmark = pytest.mark.board
ROOM = Path(__file__).parents[3] / "rigs_demo"


@pytest.fixture
def board() -> Iterator[Direct]:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for the simulated board")
    with direct() as bench:
        bench.raw()
        yield bench


def test_both_ends_of_the_page_use_the_same_words() -> None:
    text = (ROOM / "shadow" / "_bench.py").read_text(encoding="utf-8")
    there = {name: int(value, 0) for name, value in re.findall(r"^_?([A-Z_]+) = const\((\w+)\)", text, re.MULTILINE)}
    for name in ("SEQ", "REPLY", "OP", "ARG", "RESULT", "FLAGS", "HEAD", "LENGTH", "POKED", "CAUSE", "FACTOR"):
        assert there[name] == getattr(page, name), name
    for name in ("TARGET", "TIME", "UNTIL", "DUE", "BOOT"):  # the other end counts words, this one pairs
        assert re.search(rf"^_{name} = const\({getattr(page, name) * 2}\)", text, re.MULTILINE), name
    for name in ("PIN_LEVEL", "PIN_MODE", "PWM_DUTY", "PWM_HZ", "PWM_OFF", "WATCHDOG"):
        assert there[name] == getattr(page, name) << 16, name
    for name in ("HELLO", "SPI_TRANSFER", "ADC_READ", "PULSE", "LEVEL", "POLL", "RESET", "STAY", "EDGE"):
        assert there[name] == getattr(page, name), name
    assert there["PAYLOAD_BYTES"] == page.PAYLOAD
    assert there["RING_BYTES"] == page.RING
    assert there["RING_MASK"] == page.RING_SLOTS - 1
    assert there["NEVER"] == page.NEVER_NS


def test_sleep_takes_its_time_and_ticks_count_it(board: Direct) -> None:
    source = "import time\na = time.ticks_us()\ntime.sleep_ms(250)\nprint(time.ticks_diff(time.ticks_us(), a))"
    printed = board.execute(source)
    assert int(printed) == pytest.approx(250_000, abs=50)


def test_ticks_wrap_as_on_a_board(board: Direct) -> None:
    board.run_ms(1_074_000_000 / 1000)  # 2**30 us are 1073.7 s
    source = "import time\na = time.ticks_us()\ntime.sleep_ms(10)\nprint(a, time.ticks_diff(time.ticks_us(), a))"
    printed = board.execute(source)
    ticks, passed = (int(part) for part in printed.split())
    assert ticks < 1_000_000
    assert passed == pytest.approx(10_000, abs=50)


def test_angle_by_bus_is_latched_when_select_falls(board: Direct) -> None:
    source = """
from machine import Pin, SPI
import time
bus, select, word = SPI(0, baudrate=4000000), Pin(17, Pin.OUT, value=1), bytearray(2)
begun = time.ticks_us()
select(0)
bus.write_readinto(b"\\xff\\xff", word)
select(1)
bus.readinto(other := bytearray(2))
print(((word[0] << 8 | word[1]) - begun) & 0x3FFF, other)
"""
    age, nobody = board.execute(source).split(maxsplit=1)
    assert 5 <= int(age) <= 30
    assert nobody == "bytearray(b'\\xff\\xff')\n"


def test_a_select_that_stays_low_takes_no_other_angle(board: Direct) -> None:
    source = """
from machine import Pin, SPI
import time
bus, select = SPI(0, baudrate=4000000), Pin(17, Pin.OUT, value=1)
for level in (0, 0, 1, 0):
    select(level)
    print(bus.read(2))
    time.sleep_ms(1)
"""
    first, second, nobody, third = board.execute(source).splitlines()
    assert first == second
    assert nobody == repr(b"\xff\xff")
    assert third != first


def test_pulse_width_of_the_sensor(board: Direct) -> None:
    source = """
from machine import Pin, time_pulse_us
pin = Pin(21, Pin.IN)
found = [time_pulse_us(pin, level, 4000) for level in (1, 0, 1)]
print(found, time_pulse_us(pin, 1, 100), time_pulse_us(Pin(9), 1, 500))
"""
    first, timed_out = board.execute(source).rsplit("]", 1)
    low, high = (int(part) for part in first.strip("[").split(",")[1:])
    assert (low, high) == (pytest.approx(750, abs=2), pytest.approx(250, abs=2))
    assert timed_out.split()[1] == "-2"


def test_edges_of_the_sensor_interrupt(board: Direct) -> None:
    source = """
from machine import Pin
import time
seen = []
pin = Pin(22, Pin.IN)
pin.irq(lambda p: seen.append(time.ticks_us()), Pin.IRQ_RISING)
time.sleep_ms(5)
pin.irq(None)
print([time.ticks_diff(b, a) for a, b in zip(seen, seen[1:])])
"""
    assert board.execute(source) == "[1000, 1000, 1000, 1000]\n"


def test_converter_shows_the_driver_temperature(board: Direct) -> None:
    raw = int(board.execute("from machine import ADC\nprint(ADC(26).read_u16())"))
    assert raw / 65535 * 3.3 == pytest.approx(0.75, abs=0.001)


def test_duty_reaches_the_phase_and_is_rounded_to_the_counter(board: Direct) -> None:
    source = "from machine import Pin, PWM\np = PWM(Pin(1), freq=20000)\np.duty_u16(16384)\n"
    printed = board.execute(source + "print(p.freq(), p.duty_u16())")
    assert printed.split()[0] == "20000"
    assert abs(int(printed.split()[1]) - 16384) < 11
    assert board.plant.duty[0, 1] == pytest.approx(0.25, abs=1 / 6250)


@pytest.mark.parametrize("duty", [-1, -32768, 65535, 70000])
def test_duty_beyond_its_range_is_full_on(board: Direct, duty: int) -> None:
    board.execute(f"from machine import Pin, PWM\np = PWM(Pin(1), freq=20000)\np.duty_u16({duty})")
    assert board.plant.duty[0, 1] == 1.0


def test_giving_up_a_pulse_width_output_can_leave_it_high(board: Direct) -> None:
    levels = set()
    for delay in range(0, 60, 7):
        output = "from machine import Pin, PWM\nimport time\np = PWM(Pin(1), freq=20000, duty_u16=32768)\n"
        board.execute(f"{output}time.sleep_us({delay})\np.deinit()")
        levels.add(board.plant.duty[0, 1])
    assert levels == {0.0, 1.0}


def test_a_hard_callback_must_not_allocate(board: Direct) -> None:
    source = """
import time
from machine import Timer
t = Timer(-1)
t.init(period=2, callback=lambda _: [0] * 100, hard=True)
time.sleep_ms(20)
"""
    printed = board.execute(source)
    assert printed.count("MemoryError") == 1  # and then the timer has ended


def test_soft_ticks_are_lost_when_the_queue_is_full(board: Direct) -> None:
    source = """
import time
from machine import Timer
n = 0
def tick(_):
    global n
    n += 1
    if n == 1: time.sleep_ms(50)
t = Timer(-1)
t.init(period=1, callback=tick, hard=False)
time.sleep_ms(59)
t.deinit()
print(n)
"""
    assert 14 <= int(board.execute(source)) <= 18  # one, eight that waited, and those after


def test_schedule_refuses_the_ninth(board: Direct) -> None:
    source = """
import machine, micropython
state = machine.disable_irq()
n = 0
try:
    while True:
        micropython.schedule(lambda _: None, 0)
        n += 1
except RuntimeError:
    print(n)
machine.enable_irq(state)
"""
    assert board.execute(source) == "8\n"


LOOP = """
import sluice_drive as drive, time
from array import array
ticks = array("I", [0] * 200)
n = 0
def hook(t, count, demand):
    global n
    if n < 200:
        ticks[n] = t
        n += 1
drive.trace(0, hook)
drive.start(0)
time.sleep_ms(120)
drive.off(0)
print(n, (ticks[n - 1] - ticks[0]) / (n - 1))
"""


@pytest.mark.parametrize(("cost", "period_us"), [(1000, 1000.0), (4000, None)])
def test_a_healthy_loop_keeps_its_period_and_a_slow_board_overruns(cost: int, period_us: float | None) -> None:
    firmware = (ROOM / "firmware" / "sluice_drive.py").read_text(encoding="utf-8")
    with direct({"sluice_drive.py": firmware}, cost) as board:
        board.raw()
        passes, period = board.execute(LOOP).split()
        if period_us is not None:
            assert float(period) == pytest.approx(period_us, abs=0.5)
            assert int(passes) in (119, 120, 121)
        else:
            assert float(period) > 1050.0
            assert int(passes) < 115


def test_the_same_bits_twice_whatever_the_host_does_between() -> None:
    firmware = (ROOM / "firmware" / "sluice_drive.py").read_text(encoding="utf-8")
    seen = []
    for slice_ms in (1000.0, 7.3, 0.9):
        with direct({"sluice_drive.py": firmware}) as board:
            board.raw()
            board.start(LOOP)
            while not board.output.endswith(b"\x04\x04>"):
                board.run_ms(slice_ms)
            seen.append((board.output, list(board.plant.changes)))
    assert seen[0] == seen[1] == seen[2]
