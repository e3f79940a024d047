"""Another drive for the same board, smaller: it owns no timer and wants control_step() once a period.

Pins as in sluice_drive, listed here in the order they are soldered. Offers the drive contract, version 1,
without brake and without a driver temperature. Written for the demo; every number is invented.
"""

import math
import time

from machine import PWM, SPI, Pin

TABLE = [round(16383 * math.sin(math.pi * i / 64)) for i in range(128)]  # 128 entries: 2.8 degrees each
ONE_THIRD = 43  # 121 degrees: the nearest whole entry
COUNTS = 32768
POLE_PAIRS = 10
GAIN = 31
LIMIT = 13107

spi = SPI(0, baudrate=2_000_000, polarity=0, phase=1, sck=Pin(18), mosi=Pin(19), miso=Pin(16))
reply = bytearray(2)
ones = b"\xff\xff"


def make(phase_pins, enable_pin, select_pin, offset):
    return {
        "enable": Pin(enable_pin, Pin.OUT, value=0),
        "select": Pin(select_pin, Pin.OUT, value=1),
        "pwm": [PWM(Pin(pin), freq=20000, duty_u16=0) for pin in phase_pins],
        "offset": offset,
        "target": 0,
        "hook": None,
    }


motors = [make((3, 4, 5), 7, 20, 79), make((0, 1, 2), 6, 17, 16)]


def read(motor):
    motor["select"](0)
    spi.write_readinto(ones, reply)
    motor["select"](1)
    word = reply[0] << 8 | reply[1]
    parity = 0
    rest = word
    while rest:
        parity ^= 1
        rest &= rest - 1
    return word >> 1, parity == 1


def put(motor, angle, amplitude):
    # angle in table entries; cosine is the sine a quarter (32 entries) later
    for pwm, shift in zip(motor["pwm"], (32, 32 - ONE_THIRD, 32 + ONE_THIRD)):
        pwm.duty_u16(min(65535, 32768 + (TABLE[(angle + shift) & 127] * amplitude >> 14)))


def declare(motor):
    return {
        "contract": 1,
        "name": "called_drive",
        "version": "0.9.2",
        "pace": "called",
        "carrier_hz": 20000,
        "loop_period_us": 1000,
        "counts_per_turn": COUNTS,
        "field_steps": 128,
        "max_static_duty": 65535,
        "dead_time_ns": 150,
        "pole_pairs": POLE_PAIRS,
        "offset_count": (128 - motors[motor]["offset"]) * COUNTS // (128 * POLE_PAIRS),
        "direction": 1,
        "sensor_path": "bus",
        "timers": [],
        "amplitude_limit": LIMIT,
        "current_limit_ma": 0,
        "travel_limit": 0,
    }


def duties(motor, a, b, c):
    for pwm, duty in zip(motors[motor]["pwm"], (a, b, c)):
        pwm.duty_u16(duty)
    motors[motor]["enable"](1)


def field(motor, angle, amplitude):
    put(motors[motor], (angle + 256) >> 9, amplitude)
    motors[motor]["enable"](1)


def angle(motor):
    begun = time.ticks_us()
    count, valid = read(motors[motor])
    return count, valid, time.ticks_diff(time.ticks_us(), begun)


def set_point(motor, count):
    motors[motor]["target"] = count % COUNTS


def control_step(motor):
    m = motors[motor]
    now = time.ticks_us()
    count, valid = read(m)
    if not valid:
        return
    error = (m["target"] - count + 16384) % COUNTS - 16384
    demand = max(-LIMIT, min(LIMIT, error * GAIN))
    electrical = count * 128 * POLE_PAIRS // COUNTS + m["offset"]
    put(m, electrical + (32 if demand >= 0 else -32), abs(demand))
    m["enable"](1)
    if m["hook"]:
        m["hook"](now, count, demand)


def trace(motor, hook):
    motors[motor]["hook"] = hook


def off(motor):
    motors[motor]["enable"](0)
    for pwm in motors[motor]["pwm"]:
        pwm.duty_u16(0)
