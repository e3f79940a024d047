"""What the tests make up does not drift from what a session writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.record import read
from tests.software.record.contents import VERDICT, content_of, opening
from tests.software.run.fakes import SLUICE, Bench


def test_an_opening_has_the_parts_that_a_session_writes(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Part by part, with the same keys."""
    monkeypatch.chdir(tmp_path)
    bench = Bench()
    bench()
    assert bench.main(["qualify", str(SLUICE), "--out", "run", "--quiet"]) == 0
    real = content_of(read(Path("run")))
    made = opening()
    assert set(made) <= set(real)
    for part in ("rig", "board", "hashes", "risk"):
        assert set(made[part]) == set(real[part]), part
    assert set(made["declared"]["leaf"]) == set(real["declared"]["leaf"])
    assert set(VERDICT) == set(real["verdicts"][0])
