"""Locks across hosts: PostgreSQL's advisory locks, held by processes that believe to be on different hosts."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from harness.base.errors import BenchBusy, BenchError, StoreError
from harness.bench.devices import name_everywhere
from harness.bench.locks import DeviceLocks, user
from harness.pool.across import HostLocks, key
from harness.store.address import Address
from tests.examples import examples
from tests.patience import until

BOARD = "network port bench-3:4000"
SUPPLY = "instrument TCPIP0::10.0.0.7::5025::SOCKET"

HOLDER = """
import sys
from pathlib import Path
from harness.bench.locks import DeviceLocks
from harness.base.errors import BenchBusy
from harness.pool.across import HostLocks
from harness.store.address import Address
url, host, folder, *devices = sys.argv[1:]
for line in sys.stdin:  # each line: try, say what came of it, keep it until the next
    locks = DeviceLocks(Path(folder), remote=HostLocks(Address.parse(url), host=host))
    try:
        locks.hold(devices)
        print("held", flush=True)
    except BenchBusy as error:
        print(error, flush=True)
    sys.stdin.readline()
    locks.release()
    print("released", flush=True)
"""


@pytest.fixture
def address(cluster: str) -> Address:
    return Address.parse(cluster)


@contextmanager
def another_host(cluster: str, host: str, folder: Path, *devices: str) -> Iterator[subprocess.Popen[str]]:
    """A process that believes to be on `host`, whose locks of its own machine lie in `folder`."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, cluster, host, str(folder), *devices],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def tell(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def folders(tmp_path: Path) -> tuple[Path, Path]:
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
    return tmp_path / "here", tmp_path / "there"


def test_of_two_hosts_that_race_for_a_device_exactly_one_has_it(cluster, tmp_path):
    here, there = folders(tmp_path)
    with (
        another_host(cluster, "lab-1", here, BOARD, SUPPLY) as first,
        another_host(cluster, "lab-2", there, SUPPLY, BOARD) as second,
    ):
        winners = set()
        for _ in range(50):
            tell(first)
            tell(second)
            results = said(first), said(second)
            assert sorted(result == "held" for result in results) == [False, True], results
            winner = results.index("held")
            winners.add(winner)
            (busy,) = [result for result in results if result != "held"]
            holder = (first, second)[winner]
            assert f"in use by process {holder.pid} of {user()}@lab-{winner + 1}, started 20" in busy
            for process in (first, second):
                tell(process)
                assert said(process) == "released"
        assert winners  # which of them it is, is the server's affair


@pytest.mark.slow
def test_what_was_given_back_is_free_at_once(address, tmp_path):
    here, there = folders(tmp_path)
    mine = DeviceLocks(here, remote=HostLocks(address, host="lab-1"))
    theirs = DeviceLocks(there, remote=HostLocks(address, host="lab-2"))
    for _ in range(200):
        for locks in (mine, theirs):
            locks.hold([BOARD, SUPPLY])
            locks.release()


def test_a_holder_that_is_killed_holds_nothing(cluster, address, tmp_path):
    here, there = folders(tmp_path)
    with another_host(cluster, "lab-1", there, BOARD) as process:
        tell(process)
        assert said(process) == "held"
        mine = DeviceLocks(here, remote=HostLocks(address, host="lab-2"))
        with pytest.raises(BenchBusy, match=rf"^{BOARD}: in use by process {process.pid} of .*@lab-1"):
            mine.hold([BOARD])
        os.kill(process.pid, signal.SIGKILL)
        process.wait()

        def free() -> bool:
            with contextlib.suppress(BenchBusy):
                mine.hold([BOARD])
            return BOARD in mine.devices

        until(free, "the server's notice of it")
        mine.release()


def test_all_or_none_and_this_machines_locks_with_them(address, tmp_path):
    here, there = folders(tmp_path)
    mine = DeviceLocks(here, remote=HostLocks(address, host="lab-1"))
    other = DeviceLocks(there, remote=HostLocks(address, host="lab-2"))
    mine.hold([SUPPLY])
    with pytest.raises(BenchBusy, match=rf"^{SUPPLY}: in use"):
        other.hold([BOARD, SUPPLY])
    assert other.devices == ()
    mine.hold([BOARD, SUPPLY])  # what the other had for a moment is free, and what is held stays
    mine.release()
    other.hold([BOARD, SUPPLY])
    other.release()
    with DeviceLocks(there) as free:
        free.hold([BOARD, SUPPLY])


def test_a_device_of_ones_own_is_another_one_on_another_host(address, tmp_path):
    here, there = folders(tmp_path)
    own = ["port /dev/ttyACM0", "instrument TCPIP0::127.0.0.1::5025::SOCKET", "instrument USB0::1::2::3::0::INSTR"]
    mine = DeviceLocks(here, remote=HostLocks(address, host="lab-1"))
    other = DeviceLocks(there, remote=HostLocks(address, host="lab-2"))
    neighbour = DeviceLocks(tmp_path, remote=HostLocks(address, host="lab-1"))  # another user of that machine
    with mine, other, neighbour:
        mine.hold(own)
        other.hold(own)
        for device in own:
            with pytest.raises(BenchBusy, match=r"@lab-1"):
                neighbour.hold([device])
        mine.hold(["board ab12"])
        with pytest.raises(BenchBusy, match=r"^board ab12: in use by process .*@lab-1"):
            other.hold(["board ab12"])


@pytest.mark.parametrize(
    ("device", "everywhere"),
    [
        ("board ab12", True),
        ("network port bench-3:4000", True),
        ("network port [2001:db8::1]:4000", True),
        ("instrument TCPIP0::10.0.0.7::5025::SOCKET", True),
        ("instrument TCPIP0::10.0.0.7::INSTR", True),
        ("network port 127.0.0.1:4000", False),
        ("network port [::1]:4000", False),
        ("network port localhost:4000", False),
        ("instrument TCPIP0::LOCALHOST::5025::SOCKET", False),
        ("port /dev/ttyACM0", False),
        ("port COM3", False),
        ("port USB:1234", False),
        ("instrument USB0::1::2::3::0::INSTR", False),
        ("instrument GPIB0::5::INSTR", False),
        ("instrument ASRL/dev/ttyS0::INSTR", False),
    ],
)
def test_what_means_the_same_on_every_host(device, everywhere):
    assert name_everywhere(device, "Lab-1") == (device if everywhere else f"lab-1: {device}")


def test_a_lost_connection_is_noticed_without_asking_the_server(cluster, address):
    import psycopg

    locks = HostLocks(address, host="lab-1")
    locks.hold([BOARD])
    locks.check()
    with psycopg.connect(cluster.replace("+psycopg", ""), autocommit=True) as other:
        other.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE 'rotorgate%'")

        def lost() -> str:
            try:
                locks.check()
            except BenchError as error:
                return str(error)
            return ""

        until(lost, "the end of the connection")
    assert "the locks on this rig are lost, and another host may drive it now" in lost()
    locks.give([BOARD])  # nothing to give back is no trouble
    locks.check()


def test_a_server_that_is_not_there_is_one_line(tmp_path):
    locks = HostLocks(Address.parse(f"postgresql://me:secret@/lab?host={tmp_path}"), host="lab-1")
    with pytest.raises(BenchError, match=r"cannot ask whether another host drives this rig: .*; leave the store") as at:
        DeviceLocks(tmp_path, remote=locks).hold([BOARD])
    assert "\n" not in str(at.value)
    assert "secret" not in str(at.value)
    with DeviceLocks(tmp_path) as free:
        free.hold([BOARD])  # none was kept


def test_a_file_locks_no_other_host(tmp_path):
    with pytest.raises(StoreError, match=r"need postgresql://; SQLite is one host's"):
        HostLocks(Address.parse(tmp_path / "store.sqlite"))


def test_keys_are_pinned_since_hosts_of_different_versions_must_agree():
    """SHA-256 of `rotorgate device NAME`, its first eight bytes, big-endian and signed (computed by sha256sum)."""
    assert key("board ab12") == EXPECTED_KEY
    assert -(2**63) <= min(key(f"board {n:x}") for n in range(500)) < 0


EXPECTED_KEY = int.from_bytes(bytes.fromhex("5c707dc07f634586"), "big", signed=True)

DEVICES = ["board a", "board b", "network port h:1", "port /dev/a"]


def test_no_sequence_of_holding_and_releasing_gives_a_device_to_two(address, tmp_path):
    class Hosts(RuleBasedStateMachine):
        """Three hosts against a model that is a dictionary: device everywhere -> host."""

        def __init__(self) -> None:
            super().__init__()
            self.locks = [HostLocks(address, host=f"lab-{number}") for number in range(3)]
            self.model: dict[str, int] = {}

        @rule(host=st.integers(0, 2), devices=st.lists(st.sampled_from(DEVICES), min_size=1, unique=True))
        def hold(self, host: int, devices: list[str]) -> None:
            names = [name_everywhere(device, f"lab-{host}") for device in devices]
            if any(self.model.get(name, host) != host for name in names):
                with pytest.raises(BenchBusy):
                    self.locks[host].hold(devices)
            else:
                self.locks[host].hold(devices)
                self.model.update(dict.fromkeys(names, host))

        @rule(host=st.integers(0, 2), devices=st.lists(st.sampled_from(DEVICES), min_size=1, unique=True))
        def give(self, host: int, devices: list[str]) -> None:
            self.locks[host].give(devices)
            for device in devices:
                name = name_everywhere(device, f"lab-{host}")
                if self.model.get(name) == host:
                    del self.model[name]

        @rule(host=st.integers(0, 2))
        def lose(self, host: int) -> None:
            """Its connection ends: the server frees what it held."""
            connection = self.locks[host]._connection
            if connection is not None:
                connection.close()
                with pytest.raises(BenchError, match="lost"):
                    self.locks[host].check()
            self.locks[host].give(DEVICES)
            self.model = {name: other for name, other in self.model.items() if other != host}
            until(lambda: connection is None or self.server() == set(map(key, self.model)), "what it held, free")

        @invariant()
        def the_server_says_the_same(self) -> None:
            assert self.server() == set(map(key, self.model))
            for number, locks in enumerate(self.locks):
                locks.check()
                assert (locks._connection is None) == (number not in self.model.values())

        def server(self) -> set[int]:
            import psycopg

            with psycopg.connect(address.url.replace("+psycopg", "")) as connection:
                rows = connection.execute(
                    "SELECT classid::bigint << 32 | objid::bigint FROM pg_locks WHERE locktype = 'advisory'"
                )
                return {row[0] for row in rows}

        def teardown(self) -> None:
            for locks in self.locks:
                locks.give(DEVICES)
            until(lambda: not self.server(), "all of them free")

    run_state_machine_as_test(
        Hosts,
        settings=settings(examples(15), stateful_step_count=12, suppress_health_check=list(HealthCheck)),
    )
