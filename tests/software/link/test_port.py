"""The serial adapter: URLs, waiting by a clock, and errors as one line."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.base.clock import WallClock
from harness.base.errors import LinkError, LinkLost, UsageError
from harness.link import port as port_module
from harness.link.board import Board
from harness.link.port import Port
from tests.software.link.scripted import ScriptedBoard


@pytest.fixture
def server() -> Iterator[tuple[str, list[socket.socket]]]:
    """A board behind a TCP port."""
    listener = socket.create_server(("127.0.0.1", 0))
    connections: list[socket.socket] = []

    def serve() -> None:
        board = ScriptedBoard(answers={"pass": (b"leaf\r\n", b"")})
        connection, _ = listener.accept()
        connections.append(connection)
        try:
            while data := connection.recv(4096):
                connection.sendall(board.hear(data))
        except OSError:
            return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield f"socket://127.0.0.1:{listener.getsockname()[1]}", connections
    listener.close()
    for connection in connections:
        connection.close()


def test_a_board_behind_a_socket_answers_without_delay(server: tuple[str, list[socket.socket]]) -> None:
    clock = WallClock()
    with Board.open(server[0], clock) as board:
        assert board.execute("pass") == "leaf\n"
        each_s = []
        for _ in range(20):
            begin_s = clock.now_s()
            board.execute("pass")
            each_s.append(clock.now_s() - begin_s)
        # Nagle's algorithm would take 44 ms all but the first; a busy machine is quick now and then.
        assert sorted(each_s)[4] < 0.03
        assert board.port._socket is not None
        assert board.port._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_a_closed_socket_is_a_lost_link(server: tuple[str, list[socket.socket]]) -> None:
    board = Board.open(server[0], WallClock())
    server[1][0].shutdown(socket.SHUT_RDWR)
    with pytest.raises(LinkLost, match=r"lost while (reading|writing)"):
        board.execute("pass")
    board.close()


def test_traffic_is_logged_on_request_only(
    server: tuple[str, list[socket.socket]], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG, logger="harness.link"), Board.open(server[0], WallClock()) as board:
        board.execute("pass")
    assert any("> b'pass" in message or "> b'\\x05A" in message for message in caplog.messages)
    assert any("leaf" in message and "<" in message for message in caplog.messages)
    caplog.clear()
    assert not logging.getLogger("harness.link").isEnabledFor(logging.DEBUG)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_board_behind_a_telnet_port_server() -> None:
    """RFC 2217, with pyserial's own server end; it reads a queue there, not a file descriptor."""
    serial = pytest.importorskip("serial")
    rfc2217 = pytest.importorskip("serial.rfc2217")
    listener = socket.create_server(("127.0.0.1", 0))
    board_end = serial.serial_for_url("loop://", timeout=0)

    class Link:
        def __init__(self, connection: socket.socket) -> None:
            self.connection = connection

        def write(self, data: bytes) -> None:
            self.connection.sendall(data)

    def serve() -> None:
        board = ScriptedBoard(answers={"pass": (b"wheel\xff\r\n", b"")})
        connection, _ = listener.accept()
        manager = rfc2217.PortManager(board_end, Link(connection))
        while data := connection.recv(4096):
            heard = board.hear(b"".join(manager.filter(data)))
            connection.sendall(b"".join(manager.escape(heard)))

    threading.Thread(target=serve, daemon=True).start()
    with Board.open(f"rfc2217://127.0.0.1:{listener.getsockname()[1]}", WallClock()) as board:
        assert board.execute("pass") == "wheel\\xff\n"
    listener.close()


def test_no_such_port() -> None:
    with pytest.raises(LinkError, match=r"/dev/none-such: cannot open: no such port; present: "):
        Port("/dev/none-such", WallClock())


def test_nobody_listens() -> None:
    with pytest.raises(LinkError, match=r"socket://127\.0\.0\.1:1: cannot open: "):
        Port("socket://127.0.0.1:1", WallClock())


def test_a_form_that_is_not_allowed_opens_nothing(tmp_path: Path) -> None:
    """pyserial's `spy://` empties the file that it is to write to."""
    precious = tmp_path / "precious"
    precious.write_text("precious")
    with pytest.raises(UsageError, match=r"^board's port: expected a serial port .*, found spy:///dev/ptmx\?\*\*\*$"):
        Port(f"spy:///dev/ptmx?file={precious}", WallClock())
    assert precious.read_text() == "precious"


@pytest.mark.skipif(os.name != "posix", reason="devices are files")
@pytest.mark.parametrize("path", ["file", "pipe", "/dev/null"])
def test_a_device_that_is_no_serial_port_is_not_opened(tmp_path: Path, path: str) -> None:
    (tmp_path / "file").touch()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(LinkError, match=r": cannot open: expected a serial port, found another kind of file$"):
        Port(str(tmp_path / path), WallClock())


def test_a_board_is_found_by_its_usb_serial_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_module, "present", lambda: [("/dev/a", ""), ("/dev/b", "E66"), ("/dev/c", "AB12")])
    assert port_module.find("usb:ab12") == "/dev/c"
    with pytest.raises(LinkError, match=r"serial number XY, found E66 \(/dev/b\), AB12 \(/dev/c\)"):
        port_module.find("usb:XY")


class CountingClock:
    """A bench that owns the time: it says how much is out, and a deadline comes at once."""

    def __init__(self) -> None:
        self.sent = self.out = 0
        self.asked: list[tuple[int, int, float]] = []

    def now_s(self) -> float:
        return 5.0

    def sleep_s(self, duration_s: float) -> None:
        """Nobody sleeps here."""

    def note_passed(self) -> None:
        """Nothing passes here."""

    def wire(self) -> CountingClock:
        return self

    def note_sent(self, count: int) -> None:
        self.sent += count

    def run_for_output(self, received: int, deadline_s: float) -> int:
        self.asked.append((self.sent, received, deadline_s))
        return self.out


def test_where_a_bench_owns_the_time_exactly_what_it_put_out_is_read() -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    clock = CountingClock()
    port = Port(f"socket://127.0.0.1:{listener.getsockname()[1]}", clock)
    connection, _ = listener.accept()
    port.write(b"abc")
    assert port.read(7.0) == b""
    connection.sendall(b"0123456789")
    clock.out = 4
    assert port.read(8.0) == b"0123"
    clock.out = 10
    assert port.read(9.0) == b"456789"
    assert clock.asked == [(3, 0, 7.0), (3, 0, 8.0), (3, 4, 9.0)]
    port.listen()
    assert port._listener is None
    port.close()
    connection.close()
    listener.close()


def test_what_a_signal_kept_back_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bench that was told of bytes which never left would wait for them, and after a signal nothing made safe."""
    listener = socket.create_server(("127.0.0.1", 0))
    clock = CountingClock()
    port = Port(f"socket://127.0.0.1:{listener.getsockname()[1]}", clock)

    def struck(_data: bytes) -> int:
        raise KeyboardInterrupt

    port.write(b"abc")
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(port._serial, "write", struck)
        port.write(b"never sent")
    port.read(7.0)
    assert clock.asked == [(3, 0, 7.0)]
    port.close()
    listener.close()


def test_the_link_imports_without_the_modules_that_windows_lacks() -> None:
    code = (
        "import sys\nfor name in ('fcntl', 'termios', 'pty', 'resource', 'tty'): sys.modules[name] = None\n"
        "import harness.link.board, harness.link.port\nassert 'serial' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
