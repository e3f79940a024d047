"""A simulated bench that stands by itself, reached by addresses as a real one is."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests import warm

ROOT = Path(__file__).resolve().parents[2]
WHOLE_S = 1800.0
"""For a command to end, a whole qualification among them: many times what it takes (arbitrary)."""


@dataclass
class StandAlone:
    """A bench process and the rig file it wrote."""

    rig_file: Path
    process: subprocess.Popen[bytes]


@contextlib.contextmanager
def stand_alone(
    folder: Path, scenario: str = "sluice", *options: str, witness: Path | None = None
) -> Iterator[StandAlone]:
    """Start a bench, give its rig file, end it. With `witness` it tells there what its host left it in."""
    rig_file = folder / "stand-alone.toml"
    bench = ["-P", "-m", "rigs_demo"] if witness is None else ["-m", "tests.bench.witness", str(witness)]
    command = [sys.executable, *bench, scenario, "--rig-file", str(rig_file), *options]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True, cwd=ROOT
    )
    assert process.stdout is not None
    assert process.stderr is not None
    try:
        line = process.stdout.readline()
        if not line:
            pytest.skip(f"no simulated bench here: {process.stderr.read().decode().strip()}")
        assert json.loads(line)["rig_file"] == str(rig_file)
        yield StandAlone(rig_file=rig_file, process=process)
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(15)
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[StandAlone]:
    """The sluice bench."""
    with stand_alone(tmp_path) as started:
        yield started


def rotorgate(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command as a person runs it."""
    return warm.run("rotorgate", words, cwd, environment(cwd), WHOLE_S)


def start(*words: str, cwd: Path) -> subprocess.Popen[str]:
    """The command, left running."""
    return subprocess.Popen(
        [sys.executable, "-m", "harness.command.main", *words],
        cwd=cwd,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(cwd),
    )


def environment(folder: Path) -> dict[str, str]:
    """Nothing of the person's own pytest, and no backups of firmware in the person's own folder."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return {**own, "XDG_STATE_HOME": str(folder / "state")}
