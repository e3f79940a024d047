"""`micropython` of the simulated board: the interpreter's own, its scheduler in simulated time, and what boards add."""

from micropython import (
    RingIO,
    const,
    heap_lock as _lock,
    heap_unlock as _unlock,
    kbd_intr,
    mem_current,
    mem_info,
    mem_peak,
    mem_total,
    opt_level,
    qstr_info,
    stack_use,
)

from _bench import schedule

_locked = 0


def alloc_emergency_exception_buf(size):
    pass


def heap_lock():
    global _locked
    _locked += 1
    _lock()


def heap_unlock():
    global _locked
    _unlock()
    _locked -= 1
    return _locked


def heap_locked():
    return _locked
