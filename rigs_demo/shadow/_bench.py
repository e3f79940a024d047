"""The board's end of the shared page: its clock, its posted writes, its requests, its timers.

Every touch of hardware or clock costs simulated time (`COST_*`, in nanoseconds). A write is posted with its time;
a read or a sleep is a request that the bench answers. Where this runs the names of the page are also in
rigs_demo/board/page.py, which says what each word means; a test compares the two.
"""

import uos as os
import sys
from micropython import const, heap_lock, heap_unlock
from micropython import schedule as _schedule_in_interpreter

# Words of 32 bits.
_SEQ = const(0)
_REPLY = const(1)
_OP = const(2)
_ARG = const(3)
_TARGET = const(4)
_RESULT = const(6)
_FLAGS = const(7)
_TIME = const(8)
_UNTIL = const(10)
_DUE = const(12)
_HEAD = const(14)
_LENGTH = const(15)
_POKED = const(16)
_BOOT = const(18)
_CAUSE = const(20)
_FACTOR = const(21)
PAYLOAD_BYTES = const(4096)
_RING_BYTES = const(8192)
_RING_MASK = const(1023)
_NEVER_HIGH = const(0x10000000)  # high word of 2**60 ns: 36 years
NEVER = const(0x1000000000000000)

# Posted writes, in the high half; the low half is the pin.
PIN_LEVEL = const(0x10000)
PIN_MODE = const(0x20000)
PWM_DUTY = const(0x30000)
PWM_HZ = const(0x40000)
PWM_OFF = const(0x50000)
WATCHDOG = const(0x60000)
PWM_ON = const(0x70000)

# Requests.
HELLO = const(1)
UNTIL = const(2)
SPI_TRANSFER = const(3)
ADC_READ = const(4)
PULSE = const(5)
LEVEL = const(6)
POLL = const(7)
RESET = const(8)
STAY = const(9)
EDGE = const(10)

_INTERRUPT = const(1)


def _map_page():
    # An interpreter that no launcher prepared (one from PATH) does for itself, through ffi, what that does.
    try:
        import ffi
    except ImportError:
        raise ImportError("the micropython on PATH has no module ffi: take a standard Unix build, or install [demo]")

    c = ffi.open("libc.so.6")
    c.func("i", "prctl", "iL")(1, 9)  # PR_SET_PDEATHSIG, SIGKILL: die with the bench
    c.func("p", "signal", "ip")(10, c.addr("abs"))  # SIGUSR1: any function that does no harm
    c.func("i", "siginterrupt", "ii")(10, 1)  # and it ends a read
    return c.func("p", "mmap", "pLiiil")(0, 24576, 3, 1, int(os.getenv("ROTORGATE_DESCRIPTOR")), 0)


PAGE = int(os.getenv("ROTORGATE_PAGE") or _map_page())


@micropython.viper
def _word(index: int) -> int:
    return ptr32(int(PAGE))[index]


@micropython.viper
def _set_word(index: int, value: int):
    ptr32(int(PAGE))[index] = value


# What a small board of the 100 MHz class needs for each touch, with the Python around it: common practice puts a
# pin write at 10-20 us and a pulse-width write at 5-15 us; the integer arithmetic before a duty is counted with it.
_factor = _word(_FACTOR)


def _cost(microseconds):
    return microseconds * _factor  # the factor is in 1/1000, so this is nanoseconds


COST_CLOCK = _cost(6)
COST_PIN = _cost(15)
COST_SPI = _cost(40)
COST_SPI_BYTE = _cost(3)
COST_DUTY = _cost(50)
COST_SETUP = _cost(40)
COST_ADC = _cost(20)
COST_CALLBACK = _cost(40)
COST_POLL = _cost(20)
COST_PULSE = _cost(1)


@micropython.viper
def now() -> int:
    """Board time in nanoseconds since the bench began."""
    p = ptr32(int(PAGE))
    return (p[9] << 32) | p[8]


@micropython.viper
def spend(cost: int) -> int:
    """Let `cost` ns pass; 1 if something is due (call catch_up)."""
    p = ptr32(int(PAGE))
    t = ((p[9] << 32) | p[8]) + cost
    p[8] = t
    p[9] = t >> 32
    if t >= (p[11] << 32) | p[10]:
        return 1
    if t >= (p[13] << 32) | p[12]:
        return 1
    return 0


@micropython.viper
def post(op: int, value: int, cost: int) -> int:
    """Post one write, stamped with its end; 1 if something is due (call catch_up)."""
    page = int(PAGE)
    p = ptr32(page)
    t = ((p[9] << 32) | p[8]) + cost
    head = p[_HEAD]
    slot = ptr32(page + _RING_BYTES + ((head & _RING_MASK) << 4))
    slot[0] = t
    slot[1] = t >> 32
    slot[2] = op
    slot[3] = value
    p[_HEAD] = head + 1
    p[8] = t
    p[9] = t >> 32
    if t >= (p[11] << 32) | p[10]:
        return 1
    if t >= (p[13] << 32) | p[12]:
        return 1
    return 0


@micropython.viper
def _ask(op: int, arg: int, target: int) -> int:
    p = ptr32(int(PAGE))
    p[_OP] = op
    p[_ARG] = arg
    p[4] = target
    p[5] = target >> 32
    p[_FLAGS] = 0
    seq = (p[_SEQ] + 1) & 0x3FFFFFFF
    p[_SEQ] = seq  # last: the bench takes a new number for a new request
    return seq


@micropython.viper
def _answered(seq: int) -> int:
    p = ptr32(int(PAGE))
    if p[_REPLY] == seq:
        return 1
    if p[_SEQ] != seq:
        return 2
    return 0


@micropython.viper
def _set_due(t: int):
    p = ptr32(int(PAGE))
    p[12] = t
    p[13] = t >> 32


# Level 0: main program. 1: in a scheduled (soft) callback. 2: in a hard callback, or interrupts disabled.
_level = 0
_interrupted = False
_keyboard_interrupt = KeyboardInterrupt()
_timers = []
_QUEUE = const(8)
_queue = [None] * _QUEUE
_queue_args = [None] * _QUEUE
_queued = 0


# One byte for each request and for each answer: who waits for the other sleeps.
_asking = open(int(os.getenv("ROTORGATE_ASKING")), "wb")
_answers = open(int(os.getenv("ROTORGATE_ANSWERS")), "rb")
_mark = b"."
_answer = bytearray(1)


def request(op, arg, target):
    """Ask the bench and wait for its answer; board time is then the time of the answer."""
    global _interrupted
    state = 2
    while state == 2:  # a callback came in between and asked for itself: ask again
        seq = _ask(op, arg, target)
        _asking.write(_mark)
        state = 0
        while not state:
            if not _answers.readinto(_answer):
                raise OSError("the bench is gone")
            state = _answered(seq)
    if _word(_FLAGS) & _INTERRUPT:
        _interrupted = True
    return _word(_RESULT)


def _raise_interrupt():
    global _interrupted
    if _interrupted and _level == 0:
        _interrupted = False
        raise KeyboardInterrupt


def refresh():
    """Write when the next callback is due, for the bench and for the comparison in post."""
    due = NEVER
    for timer in _timers:
        if timer.due < due:
            due = timer.due
    if _queued and _level == 0:
        due = 0
    _set_due(due)


def add_timer(timer):
    """Let `timer` (due, period, hard, callback, argument) run from now on."""
    if timer not in _timers:
        _timers.append(timer)
    refresh()


def remove_timer(timer):
    """Forget `timer`."""
    if timer in _timers:
        _timers.remove(timer)
    refresh()


def schedule(function, argument):
    """Queue a soft callback; RuntimeError when the queue is full, as on a board."""
    global _queued
    if _queued >= _QUEUE:
        raise RuntimeError("schedule queue full")
    _queue[_queued] = function
    _queue_args[_queued] = argument
    _queued += 1
    if _level == 0:
        _set_due(0)


def _expire(t):
    # Hard callbacks run at once, soft ones are queued; without allocation, for the heap may be locked.
    global _level, _queued
    while True:
        first = None
        for timer in _timers:
            if timer.due <= t and (first is None or timer.due < first.due):
                first = timer
        if first is None:
            return
        if first.period:
            first.due += first.period
        else:
            first.due = NEVER
        if first.hard:
            before = _level
            _level = 2
            spend(COST_CALLBACK)
            heap_lock()
            failed = None
            try:
                first.callback(first.argument)
            except Exception as error:
                failed = error
            heap_unlock()
            _level = before
            if failed is not None:
                # As on boards: an interrupt handler that raised does not run again.
                first.due = NEVER
                print("Uncaught exception in IRQ callback handler")
                sys.print_exception(failed)
            t = now()
        elif _queued < _QUEUE:
            _queue[_queued] = first.callback
            _queue_args[_queued] = first.argument
            _queued += 1


def _run_one():
    global _level, _queued
    function = _queue[0]
    argument = _queue_args[0]
    _queued -= 1
    for i in range(_queued):
        _queue[i] = _queue[i + 1]
        _queue_args[i] = _queue_args[i + 1]
    _queue[_queued] = None
    _queue_args[_queued] = None
    _level = 1
    try:
        spend(COST_CALLBACK)
        function(argument)
    except Exception as error:
        sys.print_exception(error)
    finally:
        _level = 0


def catch_up():
    """Stay within the time that the bench has granted, and run what is due."""
    t = now()
    if t >= (_word(_UNTIL + 1) << 32 | _word(_UNTIL)):
        request(UNTIL, 0, t)
    if _level < 2:
        _expire(now())
        if _level == 0 and _queued:
            _run_one()
        refresh()
    _raise_interrupt()


def wait_until(target):
    """Sleep until `target` (ns), running callbacks meanwhile."""
    while True:
        if _level < 2:
            catch_up()
        t = now()
        if t >= target:
            return
        stop = target
        if _level < 2:
            due = _word(_DUE + 1) << 32 | _word(_DUE)
            if due < stop:
                stop = due if due > t else t
        request(UNTIL, 0, stop)
        _raise_interrupt()


def poll_input(timeout_ns):
    """Wait for input from the host; True if there is some."""
    if spend(COST_POLL):
        catch_up()
    target = NEVER if timeout_ns is None else now() + timeout_ns
    while True:
        if _level < 2:
            catch_up()
        stop = target
        due = _word(_DUE + 1) << 32 | _word(_DUE)
        if due < stop and _level < 2:
            stop = due
        if request(POLL, 0, stop):
            _raise_interrupt()
            return True
        _raise_interrupt()
        if now() >= target:
            return False


def lock_interrupts():
    """Hold back every callback; returns the state to give back."""
    global _level
    before = _level
    _level = 2
    return before


def unlock_interrupts(state):
    """Allow callbacks again as `state` says."""
    global _level
    _level = state
    catch_up()


def _serve(_):
    # The bench moved time while the interpreter sat at its prompt or in a silent loop: learn it, run what is due.
    request(UNTIL, 0, now())
    while True:
        try:
            catch_up()
        except BaseException as error:
            sys.print_exception(error)
        if _queued and _level == 0:
            continue
        # While nothing else wants the interpreter, wait here for the next callback: far quicker than to be woken.
        if request(STAY, 0, _word(_DUE + 1) << 32 | _word(_DUE)):
            return


def listen(pipe):
    """Thread: whenever a byte comes down `pipe`, have the interpreter run what is due. Must not allocate."""
    byte = bytearray(1)
    while pipe.readinto(byte):
        _schedule_in_interpreter(_serve, None)
        _set_word(_POKED, 1)
