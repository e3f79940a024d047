"""The bench's end of the host's serial port: a pseudo-terminal whose master the bench holds."""

from __future__ import annotations

import fcntl
import os
import termios
import tty

UNREAD_BYTES = 1 << 24
"""Output that is kept for a host that does not read (arbitrary; boards keep some hundred bytes for half a second)."""


class SerialLine:
    """Bytes both ways, counted; nothing is translated or echoed."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self.backlog = bytearray()
        self.taken = 0
        self.put = 0
        self.plugged = True

    def fileno(self) -> int:
        """The master, for select."""
        return self._master

    def take(self) -> bytes:
        """What the host has sent and is there."""
        if not self.plugged:
            return b""
        received = b""
        try:
            while part := os.read(self._master, 65536):
                received += part
        except OSError:
            pass
        self.taken += len(received)
        return received

    def send(self, data: bytes) -> None:
        """Put bytes out to the host; what does not go at once follows with `flush`."""
        if len(self.backlog) > UNREAD_BYTES:
            return  # nobody reads: boards lose output then, too
        self.put += len(data)
        if self.plugged:
            self.backlog += data
            self.flush()

    def flush(self) -> None:
        """Send on what the host had no room for."""
        try:
            while self.backlog and self.plugged:
                written = os.write(self._master, self.backlog[:4096])
                del self.backlog[:written]
        except OSError:
            pass

    def restart(self) -> None:
        """A host opened the port: counts begin at zero, old output is gone."""
        self.take()
        self.backlog.clear()
        if self.plugged:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        self.taken = self.put = 0

    def unplug(self) -> None:
        """Pull the cable; there is no way to put it back."""
        if self.plugged:
            self.plugged = False
            fcntl.ioctl(self._slave, termios.TIOCNXCL)
            self.close()

    def close(self) -> None:
        """Give the terminal back."""
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1
        self.plugged = False
