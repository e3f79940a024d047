"""One qualification from opening the rig to its run in the store: the shipped checks under pytest."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.base.errors import BenchError, ExitCode, Interrupted
from harness.bench.safe import StopSignal, order_first, signals_held
from harness.plugin import CHECKS, HANDED_OVER, SESSION
from harness.run.qualification import Qualification
from harness.run.session import BenchSession
from harness.store.keeping import KeepOutcome

OURS = ("PYTEST_ADDOPTS", "PYTEST_PLUGINS", "PYTEST_THEME", "PYTEST_DEBUG")
"""Variables by which a person's environment would change what pytest runs."""

Tell = Callable[["FinishedRun"], None]
"""Shows what became of a run."""

Keep = Callable[[Path], KeepOutcome]
"""Keeps the run of a folder in a store; never raises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedRun:
    """A run that has come to its end, whatever the end was."""

    session: BenchSession
    qualification: Qualification
    code: ExitCode
    trouble: str = ""
    """Why the bench could not be left safe."""
    kept: KeepOutcome | None = None
    stop: StopSignal | None = None
    """A signal that came when nothing was measured any more: it cut nothing of this run short, and ends a row."""

    @property
    def folder(self) -> Path:
        """Where its record is."""
        return self.session.folder


class Handover:
    """Gives the opened session to the plugin; `ready` is called once pytest has come up and begins."""

    def __init__(self, session: BenchSession, ready: Callable[[], None]) -> None:
        self._session = session
        self._ready = ready
        self.trouble: BaseException | None = None

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        """Before the plugin looks for a rig of its own."""
        config.stash[SESSION] = self._session
        config.stash[HANDED_OVER] = True

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self) -> None:
        """From here on what a signal ends is a check."""
        self._ready()

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        """Keep what ended it outside of any check."""
        self.trouble = excinfo.value

    def pytest_internalerror(self, excinfo: pytest.ExceptionInfo[BaseException]) -> bool:
        """Keep what went wrong inside pytest or the plugin for the defect's file, instead of printing it."""
        self.trouble = excinfo.value
        return True


def run_session(session: BenchSession, keep: Keep | None = None, tell: Tell | None = None) -> FinishedRun:
    """Open, run, close, keep, tell. Raises what opening raises; what happens after it stands in what is returned.

    Once the checks have ended a signal waits for each of these: what was measured is made safe, kept and told.
    """
    qualification = session.open()
    try:
        run_checks(session, qualification)
    except KeyboardInterrupt as error:
        qualification.ended_by(error)
    finally:
        code, trouble, stop = _closed(session)
    kept = keep(session.folder) if keep is not None else None
    ended = FinishedRun(session=session, qualification=qualification, code=code, trouble=trouble, kept=kept, stop=stop)
    if tell is None:
        return ended
    try:
        with signals_held():
            tell(ended)
    except StopSignal as error:
        return replace(ended, stop=stop or error)
    return ended


def _closed(session: BenchSession) -> tuple[ExitCode, str, StopSignal | None]:
    """The exit code of a session that is closed, why it could not be left safe, and a signal that came meanwhile."""
    stop: StopSignal | None = None
    while True:  # a signal comes before it has begun to close, or when all of it is done
        try:
            return session.close(), session.trouble, stop
        except StopSignal as error:
            stop = stop or error
        except BenchError as error:
            code = ExitCode.first_of([ExitCode.BENCH, *([session.code] if session.code is not None else [])])
            troubles = dict.fromkeys((session.trouble, order_first(error)[1]))
            return code, "; ".join(filter(None, troubles)), stop


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
        str(CHECKS / "test_checks.py"),
    ]
    with contextlib.ExitStack() as held:
        held.enter_context(signals_held())  # pytest takes a signal while it loads its own plugins for a defect of them
        handover = Handover(session, held.close)
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
