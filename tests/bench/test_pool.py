"""Several rigs at once, and rigs on the network, on simulated benches.

Benches share the processors, so these tests ask for little of each.
"""

from __future__ import annotations

import contextlib
import importlib.util
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.record import read
from harness.rigfile import load
from rigs_demo.faults import plant_of
from tests.bench.conftest import WHOLE_S, environment, rotorgate, stand_alone
from tests.patience import PATIENCE_S, until

pytestmark = [pytest.mark.board, pytest.mark.slow]

ROOT = Path(__file__).resolve().parents[2]
SLUICE = ROOT / "rigs_demo" / "rigs" / "sluice.toml"
ASKING = """
from harness import agrees
def test_pole_pairs(measured, expectation):
    assert agrees(measured("leaf", "commutation.pole_pairs"), expectation("leaf", "commutation.pole_pairs"))
"""
PLANTS = (22, 24, 28, 4)
"""Seeds of plants whose electrical offset is at least 0.04 rad from the others'."""
STAYING = """
    from pathlib import Path
    from harness.base.clock import WallClock
    while not Path("go on").exists():
        WallClock().sleep_s(0.05)
"""
needs_xdist = pytest.mark.skipif(not importlib.util.find_spec("xdist"), reason="needs pytest-xdist")


def started(*words: str, cwd: Path, tests: str = ASKING) -> subprocess.Popen[str]:
    """pytest as a person runs it, left running."""
    name = f"test_{len(list(cwd.glob('test_*.py')))}.py"
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", name, *words]
    (cwd / name).write_text(tests)
    return subprocess.Popen(
        command, cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment(cwd)
    )  # fmt: skip


@needs_xdist
def test_four_rigs_at_once_each_with_its_own_plant_and_record(tmp_path):
    rigs = "".join(f"[[rig]]\nfile = {str(SLUICE)!r}\nplant_seed = {seed}\n" for seed in PLANTS)
    (tmp_path / "pool.toml").write_text(f"schema = 1\n{rigs}")
    done = started("-n", "4", "--rigs=pool.toml", "--rig-out", "out", cwd=tmp_path)
    output, _ = done.communicate(timeout=WHOLE_S)
    assert done.returncode == 0, output
    assert "4 passed" in output
    names = ["sluice", "sluice-2", "sluice-3", "sluice-4"]
    records = [read(tmp_path / "out" / name) for name in names]
    for name, record in zip(names, records, strict=True):
        assert record.finished
        assert f"\n{name} (SIMULATED): " in output
    assert [record.plant_seed for record in records] == list(PLANTS)
    # No cross-talk: each record says of its own plant what is true of that one, and of no other.
    true_rad = [plant_of("sluice", seed).motors["leaf"].electrical_offset_rad for seed in PLANTS]
    for number, record in enumerate(records):
        values = {name: measured.quantity.value for name, measured in record.measurements.items()}
        off_rad = [abs(values["leaf.commutation.offset"] - true) for true in true_rad]
        assert off_rad.index(min(off_rad)) == number, (values["leaf.commutation.offset"], true_rad)


@needs_xdist
def test_a_second_run_on_a_rig_that_is_driven_is_told_by_whom(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    with stand_alone(tmp_path / "one") as bench, stand_alone(tmp_path / "two", "sluice", "--plant-seed", "2") as other:
        (tmp_path / "pool.toml").write_text(f"schema = 1\nrigs = {[str(bench.rig_file), str(other.rig_file)]!r}\n")
        first = started("-n", "auto", "--rigs=pool.toml", "--rig-out", "out", cwd=tmp_path, tests=ASKING + STAYING)
        observed = [tmp_path / "out" / name / "observations" for name in ("sluice", "sluice-2")]
        until(lambda: all(any(folder.glob("*.npy")) for folder in observed), "observations of both")
        second = rotorgate("qualify", str(other.rig_file), "--only", "commutation", "--out", "second", cwd=tmp_path)
        assert second.returncode == 3, second.stdout
        assert re.search(r": in use by process \d+ of ", second.stderr), second.stderr
        assert not (tmp_path / "second").exists()
        third = started("--rigs=pool.toml", "--rig-out", "third", cwd=tmp_path)
        output, _ = third.communicate(timeout=PATIENCE_S)
        assert third.returncode == 1
        assert re.search(
            r"no rig of pool\.toml can be had: sluice: .*: in use by process \d+ of .* \| sluice-2: ", output
        )
        (tmp_path / "go on").touch()
        output, _ = first.communicate(timeout=PATIENCE_S)
        assert first.returncode == 0, output
        assert "2 passed" in output
        assert all(read(tmp_path / "out" / name).finished for name in ("sluice", "sluice-2"))


@contextlib.contextmanager
def port_server(port: str) -> Iterator[str]:
    """A serial port served to the network as RFC 2217 has it, by pyserial's own server end; gives its URL."""
    serial = pytest.importorskip("serial")
    rfc2217 = pytest.importorskip("serial.rfc2217")
    listener = socket.create_server(("127.0.0.1", 0))
    ended = threading.Event()

    class PseudoTerminal(serial.Serial):
        """The simulated board's line, which has no control lines to set or to ask."""

        cts = dsr = ri = cd = False

        def _update_dtr_state(self) -> None:
            """Nothing to set."""

        _update_rts_state = _update_dtr_state

    class Sending:
        def __init__(self, connection: socket.socket) -> None:
            self._connection = connection
            self._lock = threading.Lock()

        def write(self, data: bytes) -> None:
            with self._lock:
                self._connection.sendall(data)

    def serve() -> None:
        with contextlib.suppress(OSError):
            connection, _ = listener.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            board = PseudoTerminal(port, timeout=0.05)
            link = Sending(connection)
            manager = rfc2217.PortManager(board, link)

            def back() -> None:
                with contextlib.suppress(OSError):
                    while not ended.is_set():
                        heard = board.read(1)
                        heard += board.read(board.in_waiting) if heard else b""
                        if heard:
                            link.write(b"".join(manager.escape(heard)))

            thread = threading.Thread(target=back, daemon=True)
            thread.start()
            while data := connection.recv(65536):
                board.write(b"".join(manager.filter(data)))
            ended.set()
            thread.join()
            board.close()

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        ended.set()
        listener.close()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("doing", ["inspect", "qualify"])
def test_a_rig_on_the_network_is_one_as_any_other(bench, tmp_path, doing):
    spec = load(bench.rig_file)
    assert all(entry.address.startswith("TCPIP") for entry in spec.instrument.values())
    with port_server(spec.board.port) as url:
        remote = tmp_path / "remote.toml"
        remote.write_text(bench.rig_file.read_text().replace(f'port = "{spec.board.port}"', f'port = "{url}"'))
        assert load(remote).board.port == url
        words = ("inspect",) if doing == "inspect" else ("qualify", "--only", "commutation", "--out", "run")
        done = rotorgate(words[0], str(remote), *words[1:], cwd=tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
    if doing == "qualify":
        record = read(tmp_path / "run")
        assert record.finished
        assert {verdict.outcome for verdict in record.verdicts} <= {"agrees", "conforming", "not judged"}
