"""The simulated bench's interpreter on a pseudo-terminal, without bench or plant.

Prints the terminal's name, then serves it until its own input closes.

Run as a program of its own, so that the tests' process and the board do not wait for each other. Byte 03
becomes a signal while a script runs and stays data otherwise; a soft reset is a new process.
"""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
import tempfile
import tty

BANNER = b"raw REPL; CTRL-B to exit\r\n>"
START = [
    sys.executable,
    "-c",
    """
import signal, sys
signal.signal(signal.SIGINT, signal.SIG_DFL)  # caught only while MicroPython runs a script
from micropython_unix import run_main
sys.exit(run_main(["micropython", "-X", "heapsize=2M", "-i"]))
""",
]


class Interpreter:
    """One interpreter process with a socket as its standard input and output."""

    def __init__(self, folder: str) -> None:
        self.socket, other = socket.socketpair()
        self.process = subprocess.Popen(START, stdin=other, stdout=other, stderr=other, cwd=folder)
        other.close()

    def interruptible(self) -> bool:
        with open(f"/proc/{self.process.pid}/status") as status:  # noqa: PTH123
            caught = re.search(r"SigCgt:\s*([0-9a-f]+)", status.read())
        return bool(caught and int(caught[1], 16) & 1 << signal.SIGINT - 1)

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BrokenPipeError):
            for piece in re.split(b"(\x03)", data):
                if piece == b"\x03" and self.interruptible():
                    self.process.send_signal(signal.SIGINT)
                elif piece:
                    self.socket.sendall(piece)

    def until(self, mark: bytes) -> bytes:
        heard = b""
        while not heard.endswith(mark):
            data = self.socket.recv(4096)
            if not data:
                break
            heard += data
        return heard

    def read(self) -> bytes:
        """What it has put out; nothing when it has ended."""
        with contextlib.suppress(ConnectionResetError):
            return self.socket.recv(65536)
        return b""

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        self.socket.close()


def serve(folder: str) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)  # noqa: T201
    board = Interpreter(folder)
    raw = False
    os.write(master, board.until(b">>> "))
    while True:
        ready, _, _ = select.select([master, board.socket, sys.stdin], [], [])
        if sys.stdin in ready:
            break
        if master in ready:
            board.write(os.read(master, 4096))
        if board.socket in ready:
            data = board.read()
            raw = b"raw REPL" in data or (raw and b'Type "help()"' not in data)
            if data:
                os.write(master, data)  # waits while the host does not read
            else:
                board.end()
                board = Interpreter(folder)
                greeting = board.until(b">>> ")
                if raw:
                    board.write(b"\x01")
                    board.until(BANNER)
                    greeting = BANNER
                os.write(master, b"MPY: soft reboot\r\n" + greeting)
    board.end()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        serve(place)
