"""Hardware of the simulated board under the names of MicroPython's `machine`."""

import _bench
from _bench import catch_up, post, request, spend
from micropython import const
from umachine import PinBase, Signal, mem8, mem16, mem32

PWRON_RESET = const(1)
HARD_RESET = const(2)
WDT_RESET = const(3)
SOFT_RESET = const(5)
_CPU_HZ = const(125000000)  # arbitrary: the timer clock of the pulse-width unit, too
_FULL = const(65535)


class Pin(PinBase):
    IN = const(0)
    OUT = const(1)
    OPEN_DRAIN = const(2)
    PULL_UP = const(1)
    PULL_DOWN = const(2)
    IRQ_RISING = const(8)
    IRQ_FALLING = const(4)

    def __init__(self, id, mode=-1, pull=-1, *, value=None, alt=-1):
        if isinstance(id, Pin):
            id = id.id
        if not isinstance(id, int) or not 0 <= id <= 29:
            raise ValueError("invalid pin")
        self.id = id
        self._edge = None
        if mode != -1 or pull != -1 or value is not None:
            self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None, alt=-1):
        if value is not None and post(_bench.PIN_LEVEL | self.id, 1 if value else 0, _bench.COST_PIN):
            catch_up()
        if mode != -1 or pull not in (-1, None):
            bits = (mode if mode != -1 else 0) | (pull if pull not in (-1, None) else 0) << 4
            if post(_bench.PIN_MODE | self.id, bits, _bench.COST_SETUP):
                catch_up()

    def __call__(self, value=None):
        if value is None:
            if spend(_bench.COST_PIN):
                catch_up()
            return request(_bench.LEVEL, self.id, 0)
        if post(_bench.PIN_LEVEL | self.id, 1 if value else 0, _bench.COST_PIN):
            catch_up()

    value = __call__

    def on(self):
        self(1)

    def off(self):
        self(0)

    high = on
    low = off

    def toggle(self):
        self(not self())

    def irq(self, handler=None, trigger=12, *, hard=False):
        if self._edge is not None:
            _bench.remove_timer(self._edge)
            self._edge = None
        if handler is not None:
            self._edge = _Edge(self, handler, trigger, hard)
            _bench.add_timer(self._edge)

    def __repr__(self):
        return "Pin(%d)" % self.id


class _Edge:
    # An edge that the plant will put on an input, foreseen by the bench: a timer whose next due time it tells.
    def __init__(self, pin, handler, trigger, hard):
        self.argument = pin
        self.trigger = trigger
        self.hard = hard
        self.handler = handler
        self.callback = self._call
        self.period = 0
        self._foresee(_bench.now())

    def _foresee(self, after):
        delay_ns = request(_bench.EDGE, self.argument.id | self.trigger << 8, after)
        self.due = _bench.now() + delay_ns if delay_ns else _bench.NEVER

    def _call(self, pin):
        self._foresee(_bench.now())
        self.handler(pin)


class PWM:
    def __init__(self, dest, *, freq=0, duty_u16=None, duty_ns=None, invert=False):
        if invert:
            raise NotImplementedError("PWM: invert is not on the simulated board")
        self._pin = dest.id if isinstance(dest, Pin) else Pin(dest).id
        self._freq = 0
        self._compare = 0
        self._top = _FULL
        self.init(freq=freq, duty_u16=duty_u16, duty_ns=duty_ns)
        if post(_bench.PWM_ON | self._pin, 0, 0):  # the pin is the unit's from here on, until it is made a plain one
            catch_up()

    def init(self, *, freq=0, duty_u16=None, duty_ns=None):
        if freq:
            self.freq(freq)
        if duty_u16 is not None:
            self.duty_u16(duty_u16)
        if duty_ns is not None:
            self.duty_ns(duty_ns)

    def freq(self, hz=None):
        if hz is None:
            return self._freq
        if not 8 <= hz <= 62500000:
            raise ValueError("freq out of range")
        ratio = self._compare * _FULL // (self._top + 1)
        self._top = (_CPU_HZ + hz // 2) // hz - 1
        self._freq = _CPU_HZ // (self._top + 1)
        self._compare = ratio * (self._top + 1) // _FULL
        if post(_bench.PWM_HZ | self._pin, self._top, _bench.COST_SETUP):
            catch_up()

    def duty_u16(self, duty=None):
        if duty is None:
            return self._compare * _FULL // (self._top + 1)
        # As on the commonest board of this kind: beyond the top is full on, and so is below zero.
        if duty < 0 or duty > _FULL:
            duty = _FULL
        top = self._top + 1
        self._compare = compare = duty * top // _FULL
        if post(_bench.PWM_DUTY | self._pin, compare, _bench.COST_DUTY):
            catch_up()

    def duty_ns(self, width=None):
        if width is None:
            return self._compare * 1000000000 // _CPU_HZ
        self.duty_u16(width * self._freq * _FULL // 1000000000)

    def deinit(self):
        if post(_bench.PWM_OFF | self._pin, 0, _bench.COST_SETUP):
            catch_up()

    def __repr__(self):
        return "<PWM pin=%d freq=%d duty_u16=%d>" % (self._pin, self._freq, self.duty_u16())


class SPI:
    MSB = const(0)
    LSB = const(1)

    def __init__(
        self, id=0, baudrate=1000000, *, polarity=0, phase=0, bits=8, firstbit=0, sck=None, mosi=None, miso=None
    ):
        if id not in (0, 1):
            raise ValueError("SPI(%s) doesn't exist" % id)
        self._id = id
        self.init(baudrate, polarity=polarity, phase=phase, bits=bits, firstbit=firstbit)

    def init(self, baudrate=1000000, *, polarity=0, phase=0, bits=8, firstbit=0, sck=None, mosi=None, miso=None):
        if firstbit != SPI.MSB or bits != 8:
            raise NotImplementedError("SPI: 8 bits, most significant first")
        self._wire = 8000000000 // baudrate  # ns a byte
        self._mode = polarity << 1 | phase
        if spend(_bench.COST_SETUP):
            catch_up()

    def deinit(self):
        pass

    def write_readinto(self, write_buf, read_buf):
        n = len(write_buf)
        if len(read_buf) != n:
            raise ValueError("buffers must be the same length")
        if spend(_bench.COST_SPI + n * (_bench.COST_SPI_BYTE + self._wire)):
            catch_up()
        for first in range(0, n, 4096):
            part = n - first if n - first < 4096 else 4096
            _to_page(write_buf, first, part)
            request(_bench.SPI_TRANSFER, self._id | self._mode << 4, 0)
            _from_page(read_buf, first, part)

    def readinto(self, buf, write=0):
        for i in range(len(buf)):
            buf[i] = write
        self.write_readinto(buf, buf)

    def read(self, n, write=0):
        buf = bytearray(n)
        self.readinto(buf, write)
        return bytes(buf)

    def write(self, buf):
        self.write_readinto(buf, bytearray(len(buf)))


@micropython.viper
def _to_page(buf, first: int, n: int):
    page = ptr8(int(_bench.PAGE) + 4096)
    p = ptr8(buf)
    for i in range(n):
        page[i] = p[first + i]
    ptr32(int(_bench.PAGE))[15] = n


@micropython.viper
def _from_page(buf, first: int, n: int):
    page = ptr8(int(_bench.PAGE) + 4096)
    p = ptr8(buf)
    for i in range(n):
        p[first + i] = page[i]


class I2C:
    # A bus with nobody on it: enough for firmware that looks for a device and does without.
    def __init__(self, id=0, *, scl=None, sda=None, freq=400000, timeout=50000):
        spend(_bench.COST_SETUP)

    def scan(self):
        if spend(_bench.COST_SETUP):
            catch_up()
        return []

    def _absent(self, *arguments, **keywords):
        if spend(_bench.COST_SETUP):
            catch_up()
        raise OSError(5)

    readfrom = readfrom_into = writeto = readfrom_mem = readfrom_mem_into = writeto_mem = _absent


class ADC:
    def __init__(self, channel):
        self._channel = channel.id if isinstance(channel, Pin) else channel
        if spend(_bench.COST_SETUP):
            catch_up()

    def read_u16(self):
        if spend(_bench.COST_ADC):
            catch_up()
        return request(_bench.ADC_READ, self._channel, 0)

    def read_uv(self):
        return self.read_u16() * 3300000 // 65535


class Timer:
    ONE_SHOT = const(0)
    PERIODIC = const(1)

    def __init__(self, id=-1, *, mode=1, freq=None, period=None, tick_hz=1000, callback=None, hard=False):
        if id != -1:
            raise ValueError("Timer doesn't exist")
        self.argument = self
        self.callback = None
        self.hard = False
        self.period = 0
        self.due = _bench.NEVER
        if freq is not None or period is not None or callback is not None:
            self.init(mode=mode, freq=freq, period=period, tick_hz=tick_hz, callback=callback, hard=hard)

    def init(self, *, mode=1, freq=None, period=None, tick_hz=1000, callback=None, hard=False):
        if freq is not None:
            interval = int(1000000000 // freq)
        elif period is not None:
            interval = period * (1000000000 // tick_hz)
        else:
            interval = 1000000000
        if interval <= 0:
            raise ValueError("period too large" if interval < 0 else "invalid period")
        if spend(_bench.COST_SETUP):
            catch_up()
        self.callback = callback
        self.hard = hard
        self.period = interval if mode == Timer.PERIODIC else 0
        self.due = _bench.now() + interval
        if callback is None:
            _bench.remove_timer(self)
        else:
            _bench.add_timer(self)

    def deinit(self):
        if spend(_bench.COST_SETUP):
            catch_up()
        _bench.remove_timer(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= 8388:
            raise ValueError("timeout exceeds 8388")
        self._timeout = timeout
        self.feed()

    def feed(self):
        if post(_bench.WATCHDOG, self._timeout, _bench.COST_PIN):
            catch_up()


def time_pulse_us(pin, pulse_level, timeout_us=1000000):
    # The wait itself is compiled code: between two calls little of a pulse is lost.
    if spend(_bench.COST_PULSE):
        catch_up()
    result = request(_bench.PULSE, pin.id | (1 if pulse_level else 0) << 8, timeout_us)
    if spend(0):
        catch_up()
    return result if result < 0x80000000 else result - 0x100000000


def unique_id():
    return b"SIMU" + bytes(_bench._word(22) >> shift & 255 for shift in (24, 16, 8, 0))


def freq(hz=None):
    return _CPU_HZ


def reset_cause():
    return _bench._word(20)


def reset():
    request(_bench.RESET, HARD_RESET, 0)


def soft_reset():
    raise SystemExit


def idle():
    # Until the next interrupt; on boards a system tick comes once a millisecond at the latest.
    _bench.wait_until(_bench.now() + 1000000)


def lightsleep(time_ms=0):
    _bench.wait_until(_bench.now() + time_ms * 1000000)


disable_irq = _bench.lock_interrupts
enable_irq = _bench.unlock_interrupts
