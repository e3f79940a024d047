"""The ways to start pytest in a clone: the quick form of the project's own tests, and a rig without any of them."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.patience import PATIENCE_S
from tests.results import ROOT


def collected(*words: str) -> list[str]:
    """What pytest would run in a clone."""
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True, timeout=PATIENCE_S)
    return [line for line in done.stdout.splitlines() if "::" in line]


@pytest.mark.parametrize("words", [(), ("-p", "no:xdist")], ids=["", "without xdist"])
def test_with_a_rig_the_shipped_checks_run_and_none_of_the_projects_own_tests(words):
    found = collected("--rig=rigs_demo/rigs/sluice.toml", *words)
    assert len(found) > 50
    assert all(name.startswith("harness/checks/") for name in found), found


def test_a_path_means_all_of_it_and_quick_leaves_out_what_is_slow():
    path = "tests/software/simulated_bench/test_board.py"
    every, quick = collected(path), collected("--quick", path)
    assert set(quick) < set(every)
    assert not any("stuck" in name for name in quick)
    assert any("stuck" in name for name in every)
