"""An instrument on a raw loopback socket: one thread, no thread of its own; the bench's main loop calls `serve`."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterable

from .engine import Instrument
from .errors import ScpiError

MOST_CLIENTS = 8  # arbitrary: the host, the guard and a few people's terminals
LONGEST_MESSAGE = 16_384  # arbitrary; a longer message is an input buffer overrun
CHUNK = 4096


class _Client:
    """One connection: bytes that are not a whole message yet, and a reply that the socket did not take yet."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connection = connection
        self.received = bytearray()
        self.unsent = bytearray()
        self.overrun = False


class ScpiServer:
    """Serves one instrument on 127.0.0.1; LF ends a message (CR before it is white space)."""

    def __init__(self, instrument: Instrument, port: int = 0) -> None:
        self.instrument = instrument
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.setblocking(False)
        self._clients: dict[socket.socket, _Client] = {}

    @property
    def address(self) -> str:
        """VISA address."""
        return f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    @property
    def client_count(self) -> int:
        """Open connections."""
        return len(self._clients)

    def sockets(self) -> list[socket.socket]:
        """What to wait on for reading. Changes as clients come and go."""
        return [self._listener, *self._clients]

    def serve(self, ready: Iterable[object]) -> None:
        """Accept, read, obey and answer on those of the ready sockets that are this server's. Never blocks."""
        for ready_socket in list(ready):
            if ready_socket is self._listener:
                self._accept()
            elif isinstance(ready_socket, socket.socket) and ready_socket in self._clients:
                self._receive(self._clients[ready_socket])

    def close(self) -> None:
        """Close listener and connections."""
        for connection in [*self._clients, self._listener]:
            connection.close()
        self._clients.clear()

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError, ConnectionError):
            connection, _ = self._listener.accept()
            if len(self._clients) >= MOST_CLIENTS:
                connection.close()
            else:
                self._clients[connection] = _Client(connection)

    def _receive(self, client: _Client) -> None:
        try:
            data = client.connection.recv(CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            del self._clients[client.connection]
            client.connection.close()
            return
        client.received += data
        while b"\n" in client.received:
            message, _, rest = client.received.partition(b"\n")
            client.received = rest
            if client.overrun:
                client.overrun = False
            else:
                self._obey(client, message.decode("latin-1"))
        if len(client.received) > LONGEST_MESSAGE and not client.overrun:
            client.overrun = True
            self.instrument.report(ScpiError(-363))
        if client.overrun:
            client.received.clear()

    def _obey(self, client: _Client, message: str) -> None:
        self._send(client)
        if client.unsent:
            # The client asked again before it took its reply: IEEE 488.2, 6.3.2.3.
            client.unsent.clear()
            self.instrument.report(ScpiError(-410))
        self.instrument.receive(message)
        if self.instrument.reply_waiting:
            client.unsent += self.instrument.read().encode("latin-1") + b"\n"
            self._send(client)

    def _send(self, client: _Client) -> None:
        while client.unsent:
            try:
                sent = client.connection.send(client.unsent)
            except OSError:
                return
            del client.unsent[:sent]
