"""The serial port, as bytes that may take time: pyserial devices and URLs, `socket://`, `usb:SERIAL NUMBER`."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import select
import socket
from collections.abc import Iterator

import serial
from serial.tools import list_ports

from harness.clock import Clock
from harness.errors import BenchBusy, LinkError

log = logging.getLogger("harness.link")

_SLICE_S = 0.02
"""How long one read of the operating system waits before the deadline is looked at again (arbitrary)."""
_PROMISED_S = 5.0
"""How long bytes may take that the bench's clock says are on their way (arbitrary, wall time)."""
_CHUNK = 65536


class Port:
    """An open serial port that counts its bytes both ways and waits by the given clock.

    `control_lines`: whether DTR and RTS are set. Native USB needs DTR, most ESP32 boards want both alike;
    boards whose reset and boot pins are wired straight to them need both clear.
    """

    def __init__(self, url: str, clock: Clock, *, baudrate: int = 115200, control_lines: bool = True) -> None:
        self.url = url
        self.clock = clock
        self.sent = 0
        self.received = 0
        self._control_lines = control_lines
        self._socket: socket.socket | None = None
        with self._translated("cannot open"):
            self._serial = _unopened(find(url), baudrate)
            self._serial.dtr = self._serial.rts = control_lines and os.name == "posix"
            self._serial.open()
            if control_lines and os.name != "posix":
                # Both at once as it opens resets some boards on Windows: first DTR, then RTS.
                self._serial.dtr = True
                self._serial.rts = True
            if url.startswith("socket://"):
                # pyserial reads sockets a byte at a time and leaves Nagle's algorithm on (44 ms a command).
                self._socket = socket.socket(fileno=os.dup(self._serial.fileno()))
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        """Write all of `data`. Raises LinkError if the port is gone."""
        if log.isEnabledFor(logging.DEBUG):
            log.debug("%.6f > %r", self.clock.now_s(), data)
        with self._translated("lost while writing"):
            self._serial.write(data)
        self.sent += len(data)

    def read(self, deadline_s: float) -> bytes:
        """What has come, waiting for it until `deadline_s` of the clock; nothing means that the deadline passed.

        Raises LinkError if the port is gone.
        """
        total = self.clock.run_for_output(self.sent, self.received, deadline_s)
        with self._translated("lost while reading"):
            data = self._available(deadline_s) if total is None else self._exactly(total - self.received)
        self.received += len(data)
        if data and log.isEnabledFor(logging.DEBUG):
            log.debug("%.6f < %r", self.clock.now_s(), data)
        return data

    def close(self) -> None:
        """Close; RTS goes before DTR, or Windows resets some boards."""
        with contextlib.suppress(OSError, ValueError):
            if self._socket is not None:
                self._socket.close()
            if self._serial.is_open and self._control_lines:
                self._serial.rts = False
                self._serial.dtr = False
        with contextlib.suppress(OSError):
            self._serial.close()

    def _available(self, deadline_s: float) -> bytes:
        while True:
            data = self._some()
            if data or self.clock.now_s() >= deadline_s:
                return data

    def _exactly(self, count: int) -> bytes:
        """`count` bytes that the bench has put out already."""
        data = b""
        silent_s = 0.0
        while len(data) < count:
            some = self._some(count - len(data))
            data += some
            silent_s = 0.0 if some else silent_s + _SLICE_S
            if silent_s > _PROMISED_S:
                raise LinkError(f"{self.url}: the bench put out {count} bytes, only {len(data)} arrived", data)
        return data

    def _some(self, limit: int = _CHUNK) -> bytes:
        """At least one byte, or nothing after one slice of waiting."""
        if self._socket is not None:
            if not select.select([self._socket], [], [], _SLICE_S)[0]:
                return b""
            data = self._socket.recv(limit)
            if not data:
                raise LinkError(f"{self.url}: the other side has closed the connection")
            return data
        first = bytes(self._serial.read(1))
        waiting = min(self._serial.in_waiting, limit - 1) if first else 0
        return first + bytes(self._serial.read(waiting)) if waiting > 0 else first

    @contextlib.contextmanager
    def _translated(self, doing: str) -> Iterator[None]:
        """Turn the errors of pyserial and the operating system into ours, once, here."""
        try:
            yield
        except (serial.SerialException, OSError, ValueError) as error:
            code = error.errno if isinstance(error, OSError) else None
            if code in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
                raise BenchBusy(f"{self.url}: {doing}: another program holds this port; close it") from error
            hint = {
                errno.EACCES: "no permission; on Linux add yourself to the group that owns it (often dialout)",
                errno.ENOENT: f"no such port; present: {', '.join(p.device for p in list_ports.comports()) or 'none'}",
            }.get(code or 0, str(error))
            raise LinkError(f"{self.url}: {doing}: {hint}") from error


def find(url: str) -> str:
    """The device or URL to open: `usb:SERIAL` is looked up among the ports present.

    Raises LinkError if no port has that serial number.
    """
    if not url.startswith("usb:"):
        return url
    wanted = url.removeprefix("usb:")
    ports = list(list_ports.comports())
    for port in ports:
        if port.serial_number and port.serial_number.lower() == wanted.lower():
            return str(port.device)
    present = ", ".join(f"{port.serial_number} ({port.device})" for port in ports if port.serial_number) or "none"
    raise LinkError(f"{url}: expected a USB serial port with serial number {wanted}, found {present}")


def _unopened(url: str, baudrate: int) -> serial.SerialBase:
    port = serial.serial_for_url(url, do_not_open=True, baudrate=baudrate, timeout=_SLICE_S, write_timeout=_PROMISED_S)
    if os.name == "posix" and "://" not in url:
        port.exclusive = True
    return port
