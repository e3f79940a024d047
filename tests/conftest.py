"""How the project's own tests run; nothing here depends on how fast this machine happens to be.

pytest               what a person waits for: all but what is marked slow, with some examples of each property,
                     on three processes for two processors where pytest-xdist is installed
pytest --full        all tests, all examples
pytest PATH ...      all of PATH, all examples, in this process; with --quick in the quick form
pytest --rig=FILE    what the README says: the shipped checks on that rig, and none of these tests
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
from collections.abc import Iterator
from multiprocessing.util import get_temp_dir
from pathlib import Path

import pytest
from hypothesis import settings

EXAMPLES, BUILD_EXAMPLES, QUICK_EXAMPLES = 100, 40, 20
"""Of each property (all arbitrary); a property whose examples are slow takes its share, see `tests/examples.py`."""
MEMORY = Path("/dev/shm")
"""Where Linux keeps files in memory. What is forced to the disk there waits for none: half of all tests' time else."""
ROOM = 1_000_000_000
"""Bytes that must be free there. Arbitrary: some 30 MB stand there at once, as tests that pass leave nothing behind."""
PROCESSES = 8
"""At most: each loads the same libraries before it is of use (arbitrary)."""

# New examples are drawn wherever a person runs all tests. A build of one tree says one thing, and so does the quick
# form, which somebody may run who has changed nothing: the same examples each time, and so fewer of them.
settings.register_profile("full", deadline=None, max_examples=EXAMPLES)
settings.register_profile("build", deadline=None, max_examples=BUILD_EXAMPLES, derandomize=True)
settings.register_profile("quick", deadline=None, max_examples=QUICK_EXAMPLES, derandomize=True)
settings.load_profile("full")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Quick or full."""
    group = parser.getgroup("rotorgate's own tests")
    group.addoption("--full", action="store_true", help="all tests and examples, where no path is given")
    group.addoption("--quick", action="store_true", help="no slow tests, few examples, where a path is given")


def without_paths(config: pytest.Config) -> bool:
    """Whether all of the project's tests are meant."""
    return config.args_source is pytest.Config.ArgsSource.TESTPATHS


def on_a_rig(config: pytest.Config) -> bool:
    """Whether this run is of a rig's checks; the plugin may be switched off."""
    return bool(config.getoption("--rig", None) or config.getoption("--rigs", None))


def is_quick(config: pytest.Config) -> bool:
    """Whether the quick form is meant: who chooses by marks means all that carry them."""
    if config.getoption("--quick"):
        return True
    return without_paths(config) and not config.getoption("--full") and not config.getoption("markexpr")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """Take all processors for all tests, unless it is said otherwise; before pytest-xdist starts its processes."""
    if hasattr(config, "workerinput"):
        return  # one of those processes: it would start as many again, and so would each of these
    options = config.option
    if not without_paths(config) or on_a_rig(config) or getattr(options, "numprocesses", 0) is not None:
        return
    if options.capture != "no" and options.dist == "no" and not options.tx and not options.usepdb:
        processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        # Half of the time tests wait, for a bench or for a process that starts: half as many again keep all busy.
        options.numprocesses = min(processors + processors // 2, options.maxprocesses or PROCESSES)
        options.dist = "worksteal"  # in order, so that what one bench or database serves mostly meets one process


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Before the plugin adds its checks, and before a property is read."""
    if on_a_rig(config) and without_paths(config):
        config.args.clear()
    if without_paths(config) and MEMORY.is_dir() and shutil.disk_usage(MEMORY).free >= ROOM:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))
    if config.getoption("--hypothesis-profile", None) is None:
        settings.load_profile("quick" if is_quick(config) else "full")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is slow, in the quick form."""
    if not is_quick(config):
        return
    slow = [item for item in items if item.get_closest_marker("slow")]
    if slow:
        config.hook.pytest_deselected(items=slow)
        items[:] = [item for item in items if not item.get_closest_marker("slow")]


@pytest.fixture(scope="session", autouse=True)
def temporary_folder() -> Iterator[None]:
    """What processes leave behind that a test kills goes with the tests."""
    former = os.environ.get("TMPDIR")
    get_temp_dir()  # multiprocessing's own is there until this process ends
    with tempfile.TemporaryDirectory(prefix="rotorgate-tests-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o755)  # a database runs as another user
        os.environ["TMPDIR"] = tempfile.tempdir = folder
        yield
        tempfile.tempdir = None
        os.environ.pop("TMPDIR")
        if former is not None:
            os.environ["TMPDIR"] = former


@pytest.fixture
def terminal_signals() -> Iterator[None]:
    """Ctrl-C and a hang-up do what they do at a terminal, here and in processes that the test starts.

    Tests that run in the background may have inherited that both are ignored, and what was ignored stays ignored.
    """
    numbers = [signal.Signals[name] for name in ("SIGINT", "SIGHUP") if hasattr(signal, name)]
    former = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        if former[number] is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
    yield
    for number, handler in former.items():
        signal.signal(number, handler)
