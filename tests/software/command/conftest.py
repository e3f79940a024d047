"""What the tests of all commands stand on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.software.run.fakes import Bench


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Bench:
    """No rig is open yet; the command is given in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return Bench()
