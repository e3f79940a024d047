"""The serial port, as bytes that may take time: a device, `socket://`, `rfc2217://`, `usb:SERIAL NUMBER`."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import queue
import selectors
import socket
import stat
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.addresses import PORT_FORMS, is_board_port
from harness.base.clock import Clock
from harness.base.errors import BenchBusy, LinkError, LinkLost, UsageError
from harness.base.words import concealed, visible

if TYPE_CHECKING:
    import serial

log = logging.getLogger("harness.link")

_POLLS = 100
"""Looks before a wait sleeps: some 0.2 ms (arbitrary; about what a block of a file takes there and back)."""
_SLICE_S = 0.02
"""How long one read of the operating system waits before the deadline is looked at again (arbitrary)."""
_PROMISED_S = 0.5
"""How long bytes may take that the bench's clock says are on their way (arbitrary, wall time)."""
_WRITE_S = 5.0
"""How long a write may take before the port counts as lost (arbitrary, wall time)."""
_CHUNK = 65536


class Port:
    """An open serial port that waits by the given clock.

    `control_lines`: whether DTR and RTS are set. Native USB needs DTR; boards that a serial
    bridge resets through two crossed transistors want both alike; boards whose reset and boot pins are wired straight
    to them need both clear.
    """

    def __init__(self, url: str, clock: Clock, *, baudrate: int = 115200, control_lines: bool = True) -> None:
        self.url = url
        self.clock = clock
        self.received = 0
        self._control_lines = control_lines
        self._socket: socket.socket | None = None
        self._selector: selectors.BaseSelector | None = None
        self._wake, self._woken = socket.socketpair()  # ends the wait of the listener
        self._listener: _Listener | None = None
        self._kept = b""
        if not is_board_port(url):
            # One of pyserial's other forms opens a file for writing.
            raise UsageError(f"board's port: expected {PORT_FORMS}, found {visible(concealed(url))}")
        with self._translated("cannot open", LinkError):
            self._serial = _unopened(_terminal(find(url)), baudrate)
            self._serial.dtr = self._serial.rts = control_lines and os.name == "posix"
            self._serial.open()
            if control_lines and os.name != "posix":
                # Both at once as it opens resets some boards on Windows: first DTR, then RTS.
                self._serial.dtr = True
                self._serial.rts = True
            if url.startswith("socket://"):
                # pyserial reads sockets a byte at a time and leaves Nagle's algorithm on (44 ms a command).
                self._socket = socket.fromfd(self._serial.fileno(), socket.AF_INET, socket.SOCK_STREAM)
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._watch(self._socket.fileno(), self._socket.recv)
            elif os.name == "posix" and "://" not in url:
                device = self._serial.fileno()
                self._watch(device, partial(os.read, device))
        self._wire = clock.wire()

    def _watch(self, fileno: int, take: Callable[[int], bytes]) -> None:
        """Read by one wait and one read, where pyserial needs two of each and a question between them."""
        self._selector = selectors.DefaultSelector()
        self._selector.register(fileno, selectors.EVENT_READ, take)
        self._selector.register(self._woken, selectors.EVENT_READ, None)

    def write(self, data: bytes) -> None:
        """Write all of `data`. Raises LinkLost if the port is gone."""
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%.6f > %r", self.clock.now_s(), data)
        with self._translated("lost while writing"):
            self._serial.write(data)
        if self._wire is not None:
            # Counted when gone: a bench waits in vain for bytes that a signal kept back, but not for one too many.
            self._wire.note_sent(len(data))

    def read(self, deadline_s: float) -> bytes:
        """What has come, waiting for it until `deadline_s` of the clock; nothing means that the deadline passed.

        Raises LinkLost if the port is gone.
        """
        total = None if self._wire is None else self._wire.run_for_output(self.received, deadline_s)
        with self._translated("lost while reading"):
            data = self._available(deadline_s) if total is None else self._exactly(total - self.received)
        if data and log.isEnabledFor(logging.DEBUG):
            log.debug("%.6f < %r", self.clock.now_s(), data)
        return data

    def listen(self) -> None:
        """Until `unlisten` read in a thread that never pauses: boards drop output that nobody takes for 0.5 s.

        Does nothing where a bench owns the time: there nothing is dropped while the host is busy.
        """
        if self._listener is None and self._wire is None:
            self._listener = _Listener(self._some)

    def unlisten(self) -> None:
        """End the thread of `listen`; what it has heard is kept for `read`."""
        if self._listener is not None:
            self._kept += self._listener.stop(self._wake)
            self._listener = None

    def close(self) -> None:
        """Close; RTS goes before DTR, or Windows resets some boards."""
        self.unlisten()
        with contextlib.suppress(OSError):
            if self._selector is not None:
                self._selector.close()
            self._wake.close()
            self._woken.close()
            if self._socket is not None:
                self._socket.close()
            if self._serial.is_open and self._control_lines:
                self._serial.rts = False
                self._serial.dtr = False
        with contextlib.suppress(OSError):
            self._serial.close()

    def _available(self, deadline_s: float) -> bytes:
        some = self._some if self._listener is None else self._listener.some
        while True:
            data = self._kept or some()
            self._kept = b""
            if data or self.clock.now_s() >= deadline_s:
                self.received += len(data)
                return data

    def _exactly(self, count: int) -> bytes:
        """`count` bytes that the bench has put out already."""
        total = self.received + count
        data = b""
        silent_s = 0.0
        while self.received < total:
            some = self._some(total - self.received)
            data += some
            self.received += len(some)
            silent_s = 0.0 if some else silent_s + _SLICE_S
            if silent_s > _PROMISED_S:
                # A signal may strike between taking bytes and counting them. What is missing shows in the data.
                log.warning("%s: %d of %d bytes did not arrive", self.url, total - self.received, count)
                self.received = total
        return data

    def _some(self, limit: int = _CHUNK) -> bytes:
        """At least one byte, or nothing after one slice of waiting."""
        if self._selector is not None:
            for key, _ in self._ready(self._selector):
                if key.data is None:
                    self._woken.recv(1)
                elif data := key.data(limit):
                    return bytes(data)
                else:
                    raise ConnectionResetError("the other side is gone")
            return b""
        first = bytes(self._serial.read(1))
        waiting = min(self._serial.in_waiting, limit - 1) if first else 0
        return first + bytes(self._serial.read(waiting)) if waiting > 0 else first

    @staticmethod
    def _ready(selector: selectors.BaseSelector) -> list[tuple[selectors.SelectorKey, int]]:
        # Looked at some times before sleeping: to be woken takes longer than most boards take to answer.
        for _ in range(_POLLS):
            if ready := selector.select(0):
                return ready
        return selector.select(_SLICE_S)

    @contextlib.contextmanager
    def _translated(self, doing: str, kind: type[LinkError] = LinkLost) -> Iterator[None]:
        """Turn the errors of pyserial and the operating system into ours, once, here."""
        try:
            yield
        except (OSError, ValueError, TypeError) as error:  # SerialException is an OSError; TypeError: closed meanwhile
            code = error.errno if isinstance(error, OSError) else None
            if code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
                raise BenchBusy(f"{self.url}: {doing}: another program holds this port; close it") from error
            if code == errno.EACCES:
                hint = "no permission; on Linux add yourself to the group that owns it (often dialout)"
            elif code == errno.ENOENT:
                hint = f"no such port; present: {', '.join(device for device, _ in present()) or 'none'}"
            else:
                hint = str(error).replace("\n", " ")
            raise kind(f"{self.url}: {doing}: {hint}") from error


class _Listener:
    """Reads without pause and keeps what comes."""

    def __init__(self, some: Callable[[], bytes]) -> None:
        self._read = some
        self._heard: queue.SimpleQueue[bytes | BaseException] = queue.SimpleQueue()
        self._stopped = False
        self._thread = threading.Thread(target=self._listen, name="harness.link listener", daemon=True)
        self._thread.start()

    def some(self) -> bytes:
        """What has come; nothing after one slice of waiting. Raises what the port raised."""
        try:
            heard = self._heard.get(timeout=_SLICE_S)
        except queue.Empty:
            return b""
        if isinstance(heard, BaseException):
            self._heard.put(heard)  # it stays lost
            raise heard
        return heard

    def stop(self, wake: socket.socket) -> bytes:
        """End the thread and return what nobody has taken."""
        self._stopped = True
        wake.send(b"w")
        self._thread.join(timeout=1.0)
        rest = b""
        while not self._heard.empty():
            heard = self._heard.get()
            rest += heard if isinstance(heard, bytes) else b""
        return rest

    def _listen(self) -> None:
        while not self._stopped:
            try:
                data = self._read()
            except (OSError, ValueError, TypeError) as error:
                self._heard.put(error)
                return
            if data:
                self._heard.put(data)


def present() -> list[tuple[str, str]]:
    """The serial ports of this machine: device and USB serial number (empty if it has none)."""
    from serial.tools import list_ports

    return [(str(port.device), port.serial_number or "") for port in list_ports.comports()]


def find(url: str) -> str:
    """The device or URL to open: `usb:SERIAL` is looked up among the ports present.

    Raises LinkError if no port has that serial number.
    """
    if not url.startswith("usb:"):
        return url
    wanted = url.removeprefix("usb:")
    ports = [(device, number) for device, number in present() if number]
    for device, number in ports:
        if number.lower() == wanted.lower():
            return device
    there = ", ".join(f"{number} ({device})" for device, number in ports) or "none"
    raise LinkError(f"{url}: expected a USB serial port with serial number {wanted}, found {there}")


def _terminal(url: str) -> str:
    """The same, where it is no other kind of file: to open some devices does something (a watchdog begins to bark)."""
    if os.name != "posix" or "://" in url:
        return url
    status = Path(url).stat()
    device = Path(f"/sys/dev/char/{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}/subsystem")
    driven = not device.exists() or device.resolve().name == "tty"  # pseudo-terminals, and other systems, have none
    if not stat.S_ISCHR(status.st_mode) or not driven:
        raise ValueError("expected a serial port, found another kind of file")
    return url


def _unopened(url: str, baudrate: int) -> serial.Serial:
    import serial

    port = serial.serial_for_url(url, do_not_open=True, baudrate=baudrate, timeout=_SLICE_S)
    if not url.startswith("rfc2217://"):  # where it is not supported
        port.write_timeout = _WRITE_S
    if os.name == "posix" and "://" not in url:
        port.exclusive = True
    return port
