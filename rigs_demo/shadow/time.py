"""Simulated time under the names of MicroPython's `time`."""

import _bench
from micropython import const

_TICKS = const(0x3FFFFFFF)
_HALF = const(0x20000000)
_EPOCH_S = const(1767225600)  # arbitrary: 2026-01-01, so that every run of the bench has the same date
_real_gmtime = None  # put in by _start: the real module cannot be imported under this one's name
_boot = _bench._word(19) << 32 | _bench._word(18)


def _touch():
    if _bench.spend(_bench.COST_CLOCK):
        _bench.catch_up()


def ticks_us():
    _touch()
    return (_bench.now() - _boot) // 1000 & _TICKS


def ticks_ms():
    _touch()
    return (_bench.now() - _boot) // 1000000 & _TICKS


def ticks_cpu():
    _touch()
    return (_bench.now() - _boot) // 8 & _TICKS


def ticks_add(ticks, delta):
    return ticks + delta & _TICKS


def ticks_diff(end, start):
    return (end - start + _HALF & _TICKS) - _HALF


def sleep_us(us):
    _bench.spend(_bench.COST_CLOCK)
    _bench.wait_until(_bench.now() + (us if us > 0 else 0) * 1000)


def sleep_ms(ms):
    sleep_us(ms * 1000)


def sleep(seconds):
    sleep_us(int(seconds * 1000000))


def time_ns():
    _touch()
    return _EPOCH_S * 1000000000 + _bench.now()


def time():
    return time_ns() // 1000000000


def gmtime(seconds=None):
    return _real_gmtime(time() if seconds is None else seconds)


localtime = gmtime
