"""A stand-in instrument that says exactly what a test wants, however rude."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

Answer = Callable[[str], bytes | None]
"""Bytes to send for a message, None for silence. Raise ConnectionError to drop the connection."""


@dataclass
class Scripted:
    address: str
    heard: list[str] = field(default_factory=list)
    connections: list[socket.socket] = field(default_factory=list)


def polite(message: str) -> bytes:
    """What an instrument without a fault answers to every message of the drivers."""
    if message == "SYST:ERR?":
        return b'0,"No error"\n'
    if message == "*IDN?":
        return b"maker,model,1,0\n"
    return b"1\n"


@contextmanager
def scripted(answer: Answer = polite) -> Iterator[Scripted]:
    """Serve on loopback, any number of connections, until the test ends."""
    listener = socket.create_server(("127.0.0.1", 0))
    instrument = Scripted(address=f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET")

    def talk(connection: socket.socket) -> None:
        try:
            for line in connection.makefile("rb"):
                message = line.decode().rstrip("\n")
                instrument.heard.append(message)
                reply = answer(message)
                if reply is not None:
                    connection.sendall(reply)
        except OSError:
            pass
        finally:
            connection.close()

    def accept() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            instrument.connections.append(connection)
            threading.Thread(target=talk, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield instrument
    finally:
        listener.close()
        for connection in instrument.connections:
            connection.close()
