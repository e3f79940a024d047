"""A fresh Python for each run of pytest that has its libraries loaded already: their loading is most of a short run."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.patience import PATIENCE_S

LIBRARIES = (
    *("pytest", "numpy", "scipy.optimize", "jinja2", "sqlalchemy", "xml.etree.ElementTree"),
    *("harness.run.session", "harness.report.page", "harness.store.store", "tests.software.run.fakes"),
)
"""Not the plugin itself: pytest rewrites its assertions as it loads it."""


def run_pytest(words: Sequence[str], folder: Path, environment: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """`python -m pytest WORDS` in a folder: its exit code and what it said."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        command = [sys.executable, "-m", "pytest", *words]
        return subprocess.run(
            command,
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
            env=dict(environment),
            timeout=PATIENCE_S,
        )
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(LIBRARIES))
    with tempfile.TemporaryDirectory() as said:
        out, err = Path(said, "out"), Path(said, "err")
        process = context.Process(target=_become, args=(list(words), folder, dict(environment), out, err))
        process.start()
        process.join(PATIENCE_S)
        if process.exitcode is None:
            process.kill()
        assert process.exitcode is not None, f"pytest {words} in {folder} did not end within {PATIENCE_S} s"
        texts = (path.read_text(encoding="utf-8") for path in (out, err))
        return subprocess.CompletedProcess(["pytest", *words], process.exitcode, *texts)


def _become(words: list[str], folder: Path, environment: dict[str, str], out: Path, err: Path) -> None:
    """Be that pytest."""
    import pytest

    for path, descriptor in ((out, 1), (err, 2)):
        opened = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
        os.dup2(opened, descriptor)
        os.close(opened)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[:] = ["pytest", *words]
    sys.path.insert(0, "")  # as -m does
    code = int(pytest.main(words))
    sys.stdout.flush()
    sys.stderr.flush()
    sys.exit(code)
