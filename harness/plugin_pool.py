"""pytest with a pool of rigs: each process takes one and runs all tests on it; what they found stands in one summary.

Several processes are pytest-xdist's workers. The rig is the worker's, not the controller's: what holds its locks is
what drives it, so that they are free when, and only when, nobody drives it any more.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable, Generator
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.pool import HeldRig, Pool
    from harness.run.means import Means
    from harness.run.session import BenchSession

POOL = pytest.StashKey["Pool"]()
TROUBLE = pytest.StashKey[Exception]()
"""Why this process has no rig."""
PLACE = "rotorgate_place"
RUN = "rotorgate_run"
"""What a worker is told: its number, and the folder of the run."""
HANDED_OVER = "rotorgate"
"""What a worker tells at its end."""
ENDING_S = 20
"""For a worker to make its rig safe once the controller ends; xdist kills it after 10 s, and execnet has it interrupted
only after 5 s of them."""
SPREADS = ("loadscope", "loadfile", "loadgroup", "worksteal")
"""Modes of xdist that give each test to one worker; here every worker runs all of them."""


def urged(config: pytest.Config) -> Callable[[str], None]:
    """What tells a person an order to them at once, past whatever is captured; the summary says it once more."""
    from harness.base.words import visible_lines

    def urge(order: str) -> None:
        capture = config.pluginmanager.getplugin("capturemanager")
        with capture.global_and_fixture_disabled() if capture is not None else nullcontext():
            sys.stderr.write(f"\n{visible_lines(order)}\n")
            sys.stderr.flush()

    return urge


def pool_of(config: pytest.Config) -> Pool:
    """The pool of --rigs, read once. Raises pytest.UsageError with every problem."""
    if POOL not in config.stash:
        from harness.base.errors import UsageError
        from harness.pool import load_pool

        try:
            config.stash[POOL] = load_pool(Path(config.getoption("--rigs")))
        except UsageError as error:
            raise pytest.UsageError(*str(error).splitlines()) from error
    return config.stash[POOL]


def configure(config: pytest.Config, session_key: pytest.StashKey[BenchSession], means: Means | None) -> bool:
    """Refuse what cannot be; then lead the workers, or take a rig. Whether this process runs tests.

    Raises pytest.UsageError; nothing is opened yet.
    """
    if hasattr(config, "workerinput"):
        worker_input = config.workerinput
        config.pluginmanager.register(
            OneRig(config, session_key, means, place=worker_input[PLACE], run=Path(worker_input[RUN])), "rotorgate-rig"
        )
        return True
    if config.getoption("--rig"):
        raise pytest.UsageError("--rigs: the pool names the rigs; leave out --rig (nothing was energised)")
    pool = pool_of(config)
    workers = specs_of(config)
    if len(workers) > len(pool.entries):
        raise pytest.UsageError(
            f"--rigs: {len(workers)} workers, and {pool.file} has {len(pool.entries)} rigs; give -n auto, or "
            "fewer (nothing was energised)"
        )
    if config.getoption("dist", "no") in SPREADS:
        raise pytest.UsageError(
            f"--rigs: every rig runs all tests; leave out --dist {config.getoption('dist')} (nothing was energised)"
        )
    if any(spec.partition("//")[0] != "popen" for spec in workers):
        raise pytest.UsageError("--rigs: workers are processes of this host; leave out --tx (nothing was energised)")
    prove_place(config, pool)
    if workers:
        config.pluginmanager.register(Leading(config, pool), "rotorgate-rigs")
        return False
    config.pluginmanager.register(OneRig(config, session_key, means, place=0, run=None), "rotorgate-rig")
    return True


def specs_of(config: pytest.Config) -> list[str]:
    """What xdist will start; empty where this process runs the tests itself."""
    if config.getoption("dist", "no") == "no" or config.getoption("collectonly"):
        return []
    from xdist.workermanage import parse_tx_spec_config  # type: ignore[import-untyped]

    return list(parse_tx_spec_config(config)) if config.getoption("tx") else []


def prove_place(config: pytest.Config, pool: Pool) -> None:
    """Whether every record can be written, and other hosts asked. Raises pytest.UsageError."""
    from harness.base.errors import HarnessError
    from harness.base.words import visible
    from harness.pool import HostLocks
    from harness.record.record import FILE

    problems = [
        f"{visible(str(folder))}: holds a record already; choose another folder with --rig-out"
        for entry in pool.entries
        if (folder := out_of(config, entry.name)) is not None and (folder / FILE).exists()
    ]
    if pool.store is not None and any(not entry.simulated for entry in pool.entries):
        try:
            HostLocks(pool.store).prove()
        except HarnessError as error:
            problems.append(str(error))
    if problems:
        raise pytest.UsageError(*problems)


def out_of(config: pytest.Config, name: str) -> Path | None:
    """Folder of one rig's record; None: a new one under runs."""
    out = config.getoption("--rig-out")
    return Path(out) / name if out else None


def raise_trouble(config: pytest.Config) -> None:
    """Raise why this process has no rig, if so."""
    if TROUBLE in config.stash:
        raise config.stash[TROUBLE]


class OneRig:
    """In a process that runs tests: its rig of the pool, held from here to the end of the process."""

    def __init__(
        self,
        config: pytest.Config,
        session_key: pytest.StashKey[BenchSession],
        means: Means | None,
        *,
        place: int,
        run: Path | None,
    ) -> None:
        from harness.base.errors import HarnessError
        from harness.pool import take
        from harness.run.session import BenchSession, Settings

        self.config = config
        self.session: BenchSession | None = None
        self.held: HeldRig | None = None
        self.name = "no rig"
        try:
            self.held = held = take(pool_of(config), first=place, run=run)
            entry = held.entry
            self.name = entry.name
            out = out_of(config, entry.name)
            settings = Settings(rig=entry.path, out=out, plant_seed=entry.plant_seed, name=entry.name)
            self.session = config.stash[session_key] = BenchSession(
                settings, on_unsafe=urged(config), locks=held.locks, means=means
            )
        except (HarnessError, pytest.UsageError) as error:
            config.stash[TROUBLE] = error  # each test that asks for a rig ends with it

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """Every report says which rig it is from."""
        item.user_properties.append(("rig", self.name))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """What failed says it where a person reads it."""
        report = yield
        if report.failed:
            report.sections.append(("rig", self.name))
        return report

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self) -> None:
        """Tell the controller; the rig is closed by now."""
        if hasattr(self.config, "workeroutput"):
            summary = self.session.summary() if self.session is not None else None
            lines = list(summary.lines) if summary is not None else []
            order = summary.order if summary is not None else ""
            self.config.workeroutput[HANDED_OVER] = {"order": order, "lines": lines or [self._unused()]}

    @pytest.hookimpl(trylast=True)
    def pytest_unconfigure(self) -> None:
        """Give the rig back; what was open is closed by now."""
        if self.held is not None:
            self.held.release()

    def _unused(self) -> str:
        trouble = self.config.stash.get(TROUBLE, None)
        return f"{self.name}: {trouble if trouble is not None else 'was not opened'}"


class Leading:
    """In the controller: gives every worker all tests, and tells at the end what came of each rig."""

    def __init__(self, config: pytest.Config, pool: Pool) -> None:
        self.config = config
        self.pool = pool
        self.run = Path(tempfile.mkdtemp(prefix="rotorgate-rigs-"))
        self.nodes: list[Any] = []
        self.rigs: dict[str, str] = {}
        """Worker -> rig, from its reports."""
        self.failed: dict[str, list[str]] = {}
        """Worker -> tests that failed."""
        if config.option.maxworkerrestart is None:
            config.option.maxworkerrestart = "0"  # a rig whose process has died is for a person to look at

    @pytest.hookimpl(optionalhook=True)
    def pytest_configure_node(self, node: Any) -> None:
        """Tell a worker where in the pool it begins to look."""
        node.workerinput[PLACE] = len(self.nodes)
        node.workerinput[RUN] = str(self.run)
        self.nodes.append(node)

    @pytest.hookimpl(optionalhook=True, tryfirst=True)
    def pytest_xdist_make_scheduler(self, config: pytest.Config, log: Any) -> Any:
        """Every worker, and so every rig, runs all tests, whatever --dist is."""
        from xdist.scheduler import EachScheduling  # type: ignore[import-untyped]

        leading = config.pluginmanager.getplugin("dsession")
        if leading is not None and leading.nodemanager is not None:
            leading.nodemanager.EXIT_TIMEOUT = ENDING_S
        return EachScheduling(config, log)

    def pytest_report_header(self) -> str:
        """Which rigs."""
        return f"rigs: {self.pool.file}: {', '.join(entry.name for entry in self.pool.entries)}"

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Note which rig a worker has, and what failed there."""
        worker = report.node.gateway.id if hasattr(report, "node") else ""
        for name, value in report.user_properties:
            if name == "rig":
                self.rigs[worker] = str(value)
        failed = self.failed.setdefault(worker, [])
        if report.failed and report.nodeid not in failed:
            failed.append(report.nodeid)

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        """What came of each rig; an order to a person before everything else."""
        from harness.base.words import visible

        outputs = {node.gateway.id: self._output_of(node) for node in self.nodes}
        terminalreporter.section("rotorgate")
        for worker, (order, _) in outputs.items():
            if order:
                terminalreporter.line(f"{visible(self.rigs.get(worker, worker))}: {order}")
        for worker, (_, (first, *others)) in outputs.items():
            terminalreporter.line(first)
            for test in self.failed.get(worker, ()):
                terminalreporter.line(f"    failed: {visible(test)}")
            for line in others:
                terminalreporter.line(f"    {line}")

    def pytest_unconfigure(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self.run, ignore_errors=True)

    def _output_of(self, node: Any) -> tuple[str, list[str]]:
        """The order to a person ("" where there is none), and what else a worker has told, at least one line."""
        output = getattr(node, "workeroutput", {}).get(HANDED_OVER)
        if output is not None:
            return str(output["order"]), [str(line) for line in output["lines"]]
        name = self.rigs.get(node.gateway.id, f"the rig of worker {node.gateway.id}")
        from harness.base.guard_log import GUARD_LOG

        return "", [f"{name}: its process has ended without a word; look at the rig and at the record's {GUARD_LOG}"]
