"""Firmware of the sluice gate drive: two motors, position hold, one soft timer a motor.

Pins: leaf phases 0 1 2, enable 6, sensor select 17, sensor pulse 21;
      wheel phases 3 4 5, enable 7, sensor select 20, sensor pulse 22;
      SPI 0 on 18 (clock), 19 (to sensor), 16 (from sensor); driver temperature on 26.
Offers the drive contract, version 1. Written for the demo; every number is invented.
"""

import math
import time
from array import array

from machine import ADC, PWM, SPI, Pin, Timer, time_pulse_us
from micropython import const

CONTRACT = 1
VERSION = "1.4.0"

STEPS = const(240)  # table entries in an electrical turn: 1.5 degrees each
THIRD = const(80)  # 120 degrees
QUARTER = const(60)  # 90 degrees, where the torque is greatest
COUNTS = const(32768)
HALF_COUNTS = const(16384)
POLE_PAIRS = const(10)
CARRIER_HZ = const(20000)
PERIOD_US = const(1000)
GAIN = const(31)  # demand (1/32768) a count of error: 31 * 32768 / (2 pi) / 32768 = 4.93 a radian
LIMIT = const(13107)  # 0.4
OFFSETS = (30, 148)  # table steps from phase A's axis at count 0, found once by trying
SENSOR_PATH = "bus"

SINE = array("h", [round(16383 * math.cos(2 * math.pi * i / STEPS)) for i in range(STEPS)])

_bus = SPI(0, baudrate=4_000_000, polarity=0, phase=1, sck=Pin(18), mosi=Pin(19), miso=Pin(16))
_ask = b"\xff\xff"  # data in held high: every transfer reads the angle
_thermometer = ADC(26)


class _Motor:
    def __init__(self, phases, enable, select, pulse, offset):
        self.enable = Pin(enable, Pin.OUT, value=0)
        self.select = Pin(select, Pin.OUT, value=1)
        self.pulse = Pin(pulse, Pin.IN)
        self.phases = [PWM(Pin(n), freq=CARRIER_HZ, duty_u16=0) for n in phases]
        self.offset = offset
        self.word = bytearray(2)
        self.count = 0
        self.valid = False
        self.read_at = time.ticks_us()
        self.target = 0
        self.hook = None
        self.timer = None


_motors = (
    _Motor((0, 1, 2), 6, 17, 21, OFFSETS[0]),
    _Motor((3, 4, 5), 7, 20, 22, OFFSETS[1]),
)


def _read_bus(m):
    m.select(0)
    _bus.write_readinto(_ask, m.word)
    m.select(1)
    value = m.word[0] << 8 | m.word[1]
    fold = value ^ value >> 8
    fold ^= fold >> 4
    fold ^= fold >> 2
    # An odd number of ones: neither a line held low nor one held high passes, nor a reading that the sensor doubts.
    if not (fold ^ fold >> 1) & 1:
        m.valid = False
        return
    m.count = value >> 1
    m.valid = True


def _read_pulse(m):
    if m.pulse.value():  # amid a pulse: begin at its end, or what is left of it would count as all of it
        low = time_pulse_us(m.pulse, 0, 4000)
        high = time_pulse_us(m.pulse, 1, 4000)
    else:
        high = time_pulse_us(m.pulse, 1, 4000)
        low = time_pulse_us(m.pulse, 0, 4000)
    if low < 0 or high < 0:
        m.valid = False
        return
    # The frame is 4160 clocks: 32 high, then one a code of 4096, then low.
    m.count = max(0, min(4095, high * 4160 // (high + low) - 32)) << 3
    m.valid = True


def _read(m):
    m.read_at = time.ticks_us()
    if SENSOR_PATH == "bus":
        _read_bus(m)
    else:
        _read_pulse(m)


def _put_field(m, index, amplitude):
    a, b, c = m.phases
    a.duty_u16(min(65535, 32768 + (SINE[index % STEPS] * amplitude >> 14)))
    b.duty_u16(min(65535, 32768 + (SINE[(index - THIRD) % STEPS] * amplitude >> 14)))
    c.duty_u16(min(65535, 32768 + (SINE[(index + THIRD) % STEPS] * amplitude >> 14)))


def _pass(m):
    _read(m)
    error = (m.target - m.count + HALF_COUNTS) % COUNTS - HALF_COUNTS
    demand = max(-LIMIT, min(LIMIT, error * GAIN))
    index = m.count * STEPS * POLE_PAIRS // COUNTS + m.offset
    if demand >= 0:
        _put_field(m, index + QUARTER, demand)
    else:
        _put_field(m, index - QUARTER, -demand)
    if m.hook is not None:
        m.hook(m.read_at, m.count, demand)


def declare(motor):
    m = _motors[motor]
    zero = ((STEPS - m.offset) % STEPS) * COUNTS // (STEPS * POLE_PAIRS)
    return {
        "contract": CONTRACT,
        "name": "sluice_drive",
        "version": VERSION,
        "pace": "own",
        "carrier_hz": CARRIER_HZ,
        "loop_period_us": PERIOD_US,
        "counts_per_turn": COUNTS,
        "field_steps": STEPS,
        "max_static_duty": 65535,
        "dead_time_ns": 150,
        "pole_pairs": POLE_PAIRS,
        "offset_count": zero,
        "direction": 1,
        "sensor_path": SENSOR_PATH,
        "timers": [-1],
        "amplitude_limit": LIMIT,
        "current_limit_ma": 0,
        "travel_limit": 0,
    }


def duties(motor, a, b, c):
    m = _motors[motor]
    m.phases[0].duty_u16(a)
    m.phases[1].duty_u16(b)
    m.phases[2].duty_u16(c)
    m.enable(1)


def field(motor, angle, amplitude):
    m = _motors[motor]
    _put_field(m, (angle * STEPS + 32768) >> 16, amplitude)
    m.enable(1)


def angle(motor):
    m = _motors[motor]
    if m.timer is None:
        _read(m)
    return m.count, m.valid, time.ticks_diff(time.ticks_us(), m.read_at)


def set_point(motor, count):
    _motors[motor].target = count % COUNTS


def start(motor):
    m = _motors[motor]
    _read(m)
    m.target = m.count
    _put_field(m, 0, 0)
    m.enable(1)
    m.timer = Timer(-1)
    m.timer.init(mode=Timer.PERIODIC, period=PERIOD_US // 1000, callback=lambda _: _pass(m))


def stop(motor):
    m = _motors[motor]
    if m.timer is not None:
        m.timer.deinit()
        m.timer = None
    off(motor)


def trace(motor, hook):
    _motors[motor].hook = hook


def off(motor):
    m = _motors[motor]
    if m.timer is not None:
        m.timer.deinit()
        m.timer = None
    m.enable(0)
    for phase in m.phases:
        phase.duty_u16(0)


def brake(motor):
    m = _motors[motor]
    if m.timer is not None:
        m.timer.deinit()
        m.timer = None
    for phase in m.phases:
        phase.duty_u16(0)
    m.enable(1)


def driver_temperature():
    # 0.5 V at 0 degC and 10 mV a degree, against 3.3 V: in 1/100 degC
    return _thermometer.read_u16() * 33000 // 65535 - 5000
