"""`rotorgate qualify` and `rotorgate demo`: the shipped checks under pytest, with a configuration of its own."""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.bench.locks import DeviceLocks
from harness.bench.safe import order_first, stop_on_signals
from harness.cli_keep import Kept, keep_run
from harness.defects import write_defect
from harness.errors import BenchError, ExitCode, Interrupted
from harness.plugin import CHECKS, HANDED_OVER, SESSION
from harness.pool import HostLocks
from harness.qualification import Qualification, is_bench, why_stopped
from harness.session import BenchSession, Settings
from harness.store.address import Address
from harness.tally import counts, headline
from harness.terminal import Terminal

DEMO_SEED = 1
"""The demo is the same for everybody (arbitrary)."""
OURS = ("PYTEST_ADDOPTS", "PYTEST_PLUGINS", "PYTEST_THEME", "PYTEST_DEBUG")
"""Variables by which a person's environment would change what pytest runs."""


class Handover:
    """Gives the opened session to the plugin."""

    def __init__(self, session: BenchSession) -> None:
        self._session = session
        self.trouble: BaseException | None = None

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        """Before the plugin looks for a rig of its own."""
        config.stash[SESSION] = self._session
        config.stash[HANDED_OVER] = True

    def pytest_internalerror(self, excinfo: pytest.ExceptionInfo[BaseException]) -> bool:
        """Keep what went wrong inside pytest or the plugin for the defect's file, instead of printing it."""
        self.trouble = excinfo.value
        return True


def demo(arguments: argparse.Namespace) -> int:
    """Qualify the shipped sluice rig on the virtual bench."""
    found = importlib.util.find_spec("rigs_demo")
    if found is None or not found.submodule_search_locations:
        raise BenchError("demo: rigs_demo is not installed here: python -m pip install 'rotorgate[demo]'")
    rig = Path(found.submodule_search_locations[0]) / "rigs" / "sluice.toml"
    out = Path(arguments.out) if arguments.out else None
    return run(Settings(rig=rig, out=out, seed=DEMO_SEED), arguments)


def qualify(arguments: argparse.Namespace) -> int:
    """Qualify the board of a rig, and keep the run in the store."""
    store = Address.parse(arguments.store) if arguments.store else None  # wrong use is said before anything moves
    return run(
        Settings(
            rig=Path(arguments.rig),
            out=Path(arguments.out) if arguments.out else None,
            only=tuple(arguments.only),
            seed=arguments.seed,
            plant_seed=arguments.plant_seed,
            faults=tuple(arguments.with_fault),
            firmware=Path(arguments.firmware) if arguments.firmware else None,
            restore=arguments.restore,
            require_all=arguments.require_all,
        ),
        arguments,
        keep=None if arguments.no_store else lambda folder: keep_run(folder, store),
        # Whoever shares a store may share benches.
        locks=DeviceLocks(beyond=HostLocks(store)) if store is not None and store.url else None,
    )


def run(
    settings: Settings,
    arguments: argparse.Namespace,
    *,
    keep: Callable[[Path], Kept] | None = None,
    locks: DeviceLocks | None = None,
) -> int:
    """Open, run, close, keep, show; the exit code."""
    terminal = Terminal(quiet=arguments.quiet or arguments.json, json=arguments.json)
    with stop_on_signals():
        session = BenchSession(settings, on_step=terminal.step, locks=locks)
        if settings.seed is None:
            terminal.say(f"seed {session.seed}")
        qualification = session.open()
        if session.record is not None and session.record.content["virtual"]:
            terminal.say("the bench is VIRTUAL: nothing of this says anything about a real board")
        trouble = ""
        try:
            run_checks(session, qualification)
        except KeyboardInterrupt as error:
            qualification.ended_by(error)
        finally:
            try:
                code = session.close()
            except BenchError as error:
                code, trouble = ExitCode.BENCH, order_first(error)[1]
        kept = keep(session.folder) if keep is not None else None
    show(session, qualification, code, trouble, terminal, kept)
    return code


def run_checks(session: BenchSession, qualification: Qualification) -> None:
    """The shipped checks, in this process. What ends them early is in `qualification.stop` afterwards."""
    words = [
        "-c",
        str(CHECKS / "checks.toml"),
        "--rootdir",
        str(CHECKS),
        "--noconftest",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:terminal",
        "-p",
        "no:unraisableexception",  # it collects garbage five times over at the end
        "--capture",
        "no",
        "-p",
        "harness.plugin",
        *(str(CHECKS / f"test_{check}.py") for check in qualification.selected),
    ]
    handover = Handover(session)
    with own_environment():
        ended = pytest.main(words, plugins=[handover])
    if qualification.stop is None and handover.trouble is not None:
        qualification.ended_by(handover.trouble)
    if qualification.stop is None and ended == pytest.ExitCode.INTERRUPTED:
        qualification.ended_by(Interrupted("stopped from outside"))
    if qualification.stop is None and ended not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        qualification.ended_by(RuntimeError(f"the checks did not run: pytest ended with {ended!r}"))


@contextlib.contextmanager
def own_environment() -> Iterator[None]:
    """Without what would change the checks: options, plugins named in the environment, plugins that load themselves."""
    saved = {name: os.environ.pop(name) for name in OURS if name in os.environ}
    autoload = os.environ.get("PYTEST_DISABLE_PLUGIN_AUTOLOAD")
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    try:
        yield
    finally:
        os.environ.update(saved)
        if autoload is None:
            os.environ.pop("PYTEST_DISABLE_PLUGIN_AUTOLOAD", None)
        else:
            os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = autoload


def show(
    session: BenchSession,
    qualification: Qualification,
    code: ExitCode,
    trouble: str,
    terminal: Terminal,
    kept: Kept | None = None,
) -> None:
    """The verdict, the table, the causes, and where record and report are."""
    content = session.record.content if session.record is not None else {}
    stop = qualification.stop
    order = (content.get("stop") or {}).get("by_hand")
    lines: list[str] = [order] if order else []
    if stop is not None and not is_bench(stop):
        lines.append(write_defect(stop, session.folder))
    elif stop is not None:
        lines.append(why_stopped(stop))
    for entry in qualification.stops:
        where = entry.name.removesuffix(".limits").replace(".", " ")
        lines.append(f"the board was stopped in {where}: {entry.reason}")
    if trouble:
        lines.append(trouble)
    words = headline(qualification.verdicts)
    virtual = " (VIRTUAL)" if content.get("virtual") else ""
    if terminal.json:
        said = summary(session, qualification, code, words, lines)
        said["kept"] = None if kept is None else kept.entry()
        terminal.result(json.dumps(said, allow_nan=False))
        return
    if order:
        terminal.result(lines.pop(0))
    terminal.result(f"{session.spec.rig.name}{virtual}: {words}")
    for line in lines:
        terminal.result(line)
    if not terminal.quiet:
        terminal.table(qualification.verdicts)
    diagnosis = content.get("diagnosis") or {}
    if diagnosis.get("words"):
        words = diagnosis["words"]
        terminal.result(words if words.startswith("cause ") else f"cause: {words}")
    if diagnosis.get("parted_by"):
        terminal.result(f"what would part them: {', '.join(diagnosis['parted_by'])}")
    if not terminal.quiet:
        for entry in content.get("missing", ()):
            terminal.result(f"{entry['what']} would add: {entry['adds']}")
        for entry in content.get("not_supervised", ()):
            terminal.result(f"not supervised: {entry}")
    terminal.result(f"record {session.folder}")
    terminal.result(f"report {session.report}")
    if kept is not None:
        terminal.result(kept.words)
    if terminal.trouble:
        terminal.say(f"the result could not be written to standard output: {terminal.trouble}; see {session.report}")


def summary(
    session: BenchSession, qualification: Qualification, code: ExitCode, words: str, lines: list[str]
) -> dict[str, Any]:
    """The result as --json gives it."""
    content = session.record.content if session.record is not None else {}
    return {
        "exit_code": int(code),
        "verdict": words,
        "rig": session.spec.rig.name,
        "virtual": content.get("virtual"),
        "counts": {word.value: count for word, count in counts(qualification.verdicts).items()},
        "seed": session.seed,
        "plant_seed": session.settings.plant_seed,
        "error": lines,
        "verdicts": [
            {
                "name": entry.name,
                "outcome": entry.outcome.value,
                "reason": entry.reason,
                "unit": entry.unit,
                "measured": None if entry.measured is None else entry.measured.value,
                "u": None if entry.measured is None else entry.measured.u,
            }
            for entry in qualification.verdicts
        ],
        "diagnosis": content.get("diagnosis"),
        "causes": content.get("causes"),
        "record": str(session.folder),
        "report": str(session.report),
    }
