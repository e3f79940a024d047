"""A process of its own for each run of pytest or of the command, with its libraries loaded before it begins.

Their loading is most of a short run.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

LIBRARIES = (
    *("pytest", "numpy", "scipy.optimize", "jinja2", "sqlalchemy", "pyvisa", "pyvisa_py", "serial"),
    *("harness.command.qualify", "harness.run.session", "harness.report.page", "harness.store.store"),
    "tests.software.run.fakes",
)
"""Not the plugin itself: pytest rewrites its assertions as it loads it."""
MODULES = {"pytest": "pytest", "rotorgate": "harness.command.main"}


def run(
    entry: Literal["pytest", "rotorgate"],
    words: Sequence[str],
    folder: Path,
    environment: Mapping[str, str],
    longest_s: float,
) -> subprocess.CompletedProcess[str]:
    """One of them as `python -m` runs it in a folder: its exit code and what it said.

    Raises subprocess.TimeoutExpired after `longest_s`: it was ended, with all that it had started.
    """
    if "forkserver" not in multiprocessing.get_all_start_methods():
        command, streams = [sys.executable, "-m", MODULES[entry], *words], {"capture_output": True, "text": True}
        return subprocess.run(command, cwd=folder, check=False, env=dict(environment), timeout=longest_s, **streams)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(LIBRARIES))
    with tempfile.TemporaryDirectory() as said:
        out, err = Path(said, "out"), Path(said, "err")
        process = context.Process(target=_become, args=(entry, list(words), folder, dict(environment), out, err))
        process.start()
        try:
            process.join(longest_s)
            if process.exitcode is None:
                raise subprocess.TimeoutExpired([entry, *words], longest_s)
        except BaseException:
            os.killpg(process.pid or 0, signal.SIGKILL)
            raise
        texts = (path.read_text(encoding="utf-8") if path.exists() else "" for path in (out, err))
        return subprocess.CompletedProcess([entry, *words], process.exitcode, *texts)


def _become(entry: str, words: list[str], folder: Path, environment: dict[str, str], out: Path, err: Path) -> None:
    """Be that process."""
    os.setsid()
    for path, descriptor in ((out, 1), (err, 2)):
        opened = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
        os.dup2(opened, descriptor)
        os.close(opened)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[:] = [entry, *words]
    sys.path.insert(0, "")  # as -m does
    if entry == "rotorgate":
        from harness.command.main import command

        command()
    import pytest

    code = int(pytest.main(words))
    sys.stdout.flush()
    sys.exit(code)
