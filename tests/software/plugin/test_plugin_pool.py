"""pytest with a pool of rigs: what is refused, who has which rig, and what the end says; with fakes for the rigs."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import signal
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from harness.bench.locks import DeviceLocks
from harness.record import read
from harness.record.write import FILE
from tests.patience import PATIENCE_S, has_ended, until
from tests.software.run.fakes import ROOT, SLUICE

pytestmark = pytest.mark.skipif(not importlib.util.find_spec("xdist"), reason="needs pytest-xdist")

CONFTEST = """
import os, pytest, sys
from pathlib import Path
sys.path.insert(0, {root!r})
from harness.plugin import MEANS
from tests.software.run.fakes import FakeChecks, FakeRig, means_of
checks, rig = FakeChecks(), FakeRig()
@pytest.hookimpl(tryfirst=True)
def pytest_configure(config):
    config.stash[MEANS] = means_of(checks, rig)
opened = Path({folder!r}) / "opened"
class Noted(list):
    def append(self, event):
        with opened.open("a") as file:
            file.write(f"{{os.getpid()}} {{event}}\\n")
rig.events = Noted()
"""

TESTS = """
import os
from pathlib import Path
def test_delay(measured):
    assert measured("leaf", "step.delay").value < 2e-3
def test_third(request, measured):
    measured("leaf", "step.delay")
    assert request.config.stash[__import__("harness.plugin").plugin.SESSION].name != "sluice-3"
"""


DIES = """
def test_dies(rig, request):
    if request.config.workerinput["rotorgate_place"] == 1:
        os._exit(9)
def test_after(rig):
    pass
"""


@pytest.fixture
def run(tmp_path):
    def of(*words: str, pool: str, tests: str = TESTS) -> subprocess.CompletedProcess[str]:
        write(tmp_path, pool, tests)
        return subprocess.run(
            command(*words),
            cwd=tmp_path,
            env=environment(),
            capture_output=True,
            text=True,
            check=False,
            timeout=PATIENCE_S,
        )

    return of


def write(folder: Path, pool: str, tests: str) -> None:
    (folder / "conftest.py").write_text(CONFTEST.format(root=str(ROOT), folder=str(folder)))
    (folder / "test_own.py").write_text(tests)
    (folder / "pytest.ini").write_text("[pytest]\n")
    (folder / "pool.toml").write_text(pool)


def command(*words: str) -> list[str]:
    chosen = ("-p", "harness.plugin", "-p", "xdist", "-p", "no:cacheprovider")
    return [sys.executable, "-m", "pytest", *chosen, "--rigs=pool.toml", *words]


def environment() -> dict[str, str]:
    own = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    return {**own, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(ROOT)}


def simulated(count: int) -> str:
    return f"schema = 1\nrigs = {[str(SLUICE)] * count!r}\n"


def opened(folder: Path) -> list[str]:
    path = folder / "opened"
    return path.read_text().splitlines() if path.exists() else []


def test_every_rig_runs_every_test_in_a_process_of_its_own(run, tmp_path):
    done = run("-n", "auto", "--rig-out", "out", "--junitxml", "junit.xml", "test_own.py", pool=simulated(4))
    assert done.returncode == 1, done.stdout + done.stderr
    assert "1 failed, 7 passed" in done.stdout
    summary = done.stdout.partition("= rotorgate =")[2]
    for name in ("sluice", "sluice-2", "sluice-3", "sluice-4"):
        assert f"\n{name} (SIMULATED): " in summary
        assert f"    record out/{name}, report out/{name}/report.html" in summary
        assert read(tmp_path / "out" / name).finished
    assert "\nsluice-3 (SIMULATED): " in summary.partition("    failed: test_own.py::test_third")[0]
    assert summary.count("failed: ") == 1
    assert "-- rig --" in done.stdout and "\nsluice-3\n" in done.stdout
    cases = list(ET.parse(tmp_path / "junit.xml").getroot().iter("testcase"))
    rigs = [entry.get("value") for case in cases for entry in case.iter("property") if entry.get("name") == "rig"]
    assert sorted(rigs) == sorted(["sluice", "sluice-2", "sluice-3", "sluice-4"] * 2)
    (failed,) = [case for case in cases if case.find("failure") is not None]
    assert {entry.get("name"): entry.get("value") for entry in failed.iter("property")}["rig"] == "sluice-3"
    processes = [line.split()[0] for line in opened(tmp_path) if " open " in line]
    assert len(processes) == len(set(processes)) == 4
    assert len([line for line in opened(tmp_path) if line.endswith(" closed")]) == 4


def test_without_workers_one_process_takes_one_rig(run, tmp_path):
    done = run("test_own.py", "--rig-out", "out", pool=simulated(3))
    assert done.returncode == 0, done.stdout
    assert "\nsluice (SIMULATED): " in done.stdout
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["sluice"]


@pytest.mark.slow
def test_shipped_checks_join_each_worker(run, tmp_path):
    (tmp_path / "empty").mkdir()
    done = run("-n", "2", "--rig-out", "out", pool=simulated(2), tests="")
    assert done.returncode == 0, done.stdout
    assert "38 passed" in done.stdout


@pytest.mark.parametrize(
    ("words", "pool", "said"),
    [
        (("-n", "3"), simulated(2), "--rigs: 3 workers, and pool.toml has 2 rigs; give -n auto, or fewer"),
        (("-n", "2", "--rig", str(SLUICE)), simulated(2), "--rigs: the pool names the rigs; leave out --rig"),
        (
            ("-n", "2", "--dist", "loadgroup"),
            simulated(2),
            "--rigs: every rig runs all tests; leave out --dist loadgroup",
        ),
        (("--dist", "each", "--tx", "ssh=lab"), simulated(2), "--rigs: workers are processes of this host"),
        (("-n", "auto"), "", "pool.toml: schema: missing key"),
        ((), "schema = 1\nrigs = ['none.toml']", "pool.toml: rigs[0]: none.toml: no such rig file"),
    ],
)
def test_what_cannot_be_is_refused_before_anything(run, tmp_path, words, pool, said):
    done = run(*words, "test_own.py", pool=pool)
    assert done.returncode == 4, done.stdout
    assert said in done.stderr + done.stdout
    assert "Traceback" not in done.stderr + done.stdout
    assert opened(tmp_path) == []


def test_all_problems_of_a_pool_come_at_once(run):
    done = run("-n", "auto", pool="schema = 1\nrigs = ['none.toml', 'nor.toml']")
    assert done.returncode == 4
    assert "rigs[0]: none.toml" in done.stderr and "rigs[1]: nor.toml" in done.stderr


def test_a_record_that_is_there_already_is_not_written_over(run, tmp_path):
    for name in ("sluice", "sluice-2"):
        (tmp_path / "out" / name).mkdir(parents=True)
        (tmp_path / "out" / name / FILE).touch()
    done = run("-n", "2", "--rig-out", "out", "test_own.py", pool=simulated(2))
    assert done.returncode == 4
    assert "out/sluice: holds a record already; choose another folder with --rig-out" in done.stderr
    assert "out/sluice-2: holds a record already" in done.stderr


def real(folder: Path, *names: str) -> str:
    """A pool of rig files with real addresses, which the fakes never open."""
    text = SLUICE.read_text(encoding="utf-8")
    for name in names:
        own = text
        for port in range(5025, 5025 + text.count("simulated:sluice/")):
            own = re.sub(r"simulated:sluice/\w+", f"TCPIP0::{name}.lab::{port}::SOCKET", own, count=1)
        own = own.replace("simulated:sluice", f"rfc2217://{name}.lab:1")
        (folder / f"{name}.toml").write_text(own.replace('name = "sluice"', f'name = "{name}"'))
    return f"schema = 1\nrigs = {[f'{name}.toml' for name in names]!r}\n"


def test_a_rig_in_use_is_left_to_its_user_and_who_it_is_is_said(run, tmp_path):
    pool = real(tmp_path, "pa", "pb")
    with DeviceLocks() as somebody:
        somebody.hold(["network port pa.lab:1"])
        done = run("-n", "2", "--rig-out", "out", "test_own.py", pool=pool)
    assert done.returncode == 1, done.stdout
    assert "2 passed, 2 errors" in done.stdout
    # Which of the two workers is left without a rig is decided by who is first.
    assert "no rig of pool.toml can be had: p" in done.stdout
    assert f"pa: network port pa.lab:1: in use by process {os.getpid()} of " in done.stdout
    assert "pb: instrument TCPIP0::PB.LAB::5025::SOCKET" in done.stdout
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["pb"]
    with DeviceLocks() as free:
        free.hold(["network port pa.lab:1", "network port pb.lab:1"])


@pytest.mark.slow
def test_a_worker_that_dies_takes_no_other_rig_with_it(run, tmp_path):
    tests = f"{TESTS}\n{DIES}"
    done = run("-n", "2", "--rig-out", "out", "test_own.py", pool=simulated(2), tests=tests)
    assert done.returncode == 1, done.stdout
    assert "sluice-2: its process has ended without a word" in done.stdout
    assert "\nsluice (SIMULATED): " in done.stdout
    assert "replacing crashed worker" not in done.stdout
    assert read(tmp_path / "out" / "sluice").finished
    assert not read(tmp_path / "out" / "sluice-2").finished


@pytest.mark.parametrize("store", ["postgresql:///lab?host=NONE"])
def test_a_database_that_cannot_be_reached_is_said_before_anything(run, tmp_path, store):
    pool = real(tmp_path, "pa", "pb") + f'store = "{store.replace("NONE", str(tmp_path))}"\n'
    done = run("-n", "auto", "test_own.py", pool=pool)
    assert done.returncode == 4
    assert "cannot ask whether another host drives this rig" in done.stderr
    assert opened(tmp_path) == []


WAITS = """
import threading
from pathlib import Path
def test_waits(rig, request):
    (Path("ready") / str(os.getpid())).touch()
    threading.Event().wait(600)
"""


@pytest.fixture
def waiting(tmp_path, terminal_signals):
    """Two workers in the midst of a test on their rigs: the controller, and the workers' process ids."""
    write(tmp_path, simulated(2), f"import os\n{WAITS}")
    (tmp_path / "ready").mkdir()
    words = ("-n", "2", "--rig-out", "out", "test_own.py")
    with (tmp_path / "said").open("wb") as said:
        controller = subprocess.Popen(
            command(*words), cwd=tmp_path, env=environment(), stdout=said, stderr=said, start_new_session=True
        )
    try:
        until(lambda: len(list((tmp_path / "ready").iterdir())) == 2, "two workers in a test")
        yield controller, [int(path.name) for path in (tmp_path / "ready").iterdir()]
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(controller.pid, signal.SIGKILL)
        controller.wait()


def safe(folder: Path, processes: list[int]) -> bool:
    """Whether each of them has made its rig safe and closed it."""
    return all(
        f"{process} make safe" in opened(folder) and f"{process} closed" in opened(folder) for process in processes
    )


@pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
@pytest.mark.parametrize("how", [pytest.param("Ctrl-C", marks=pytest.mark.slow), "SIGTERM to the controller"])
def test_what_ends_the_run_makes_every_rig_safe_and_says_where_its_record_is(waiting, tmp_path, how):
    controller, workers = waiting
    if how == "Ctrl-C":  # reaches the whole foreground group
        os.killpg(controller.pid, signal.SIGINT)
        os.killpg(controller.pid, signal.SIGINT)
    else:
        controller.send_signal(signal.SIGTERM)
    assert controller.wait(PATIENCE_S) == 2
    assert safe(tmp_path, workers)
    said = (tmp_path / "said").read_text()
    for name in ("sluice", "sluice-2"):
        assert f"\n{name} (SIMULATED): " in said, said
        assert f"record out/{name}, report out/{name}/report.html" in said
        assert (tmp_path / "out" / name / "report.html").exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
def test_a_controller_that_is_killed_leaves_its_workers_time_to_make_safe(waiting, tmp_path):
    controller, workers = waiting
    controller.kill()
    controller.wait()
    until(lambda: safe(tmp_path, workers), "both made safe")
    until(lambda: all(map(has_ended, workers)), "workers ended")
    for name in ("sluice", "sluice-2"):
        assert (tmp_path / "out" / name / "report.html").exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
def test_a_worker_that_is_told_to_stop_makes_its_rig_safe_and_the_others_go_on(waiting, tmp_path):
    controller, workers = waiting
    os.kill(workers[0], signal.SIGTERM)
    until(lambda: safe(tmp_path, workers[:1]), "made safe")
    assert not safe(tmp_path, workers[1:])
    os.killpg(controller.pid, signal.SIGINT)
    assert controller.wait(PATIENCE_S) == 2
    assert safe(tmp_path, workers)
