"""From records on disk, as a run leaves them, to findings."""

from __future__ import annotations

from pathlib import Path

from harness.compare import Finding, Terms, baseline_of, compare, series_of
from harness.nouns.results import Detect, Measurement
from harness.record import Record, read
from tests.software.compare.records import STIFFNESS, scattered
from tests.software.record.contents import content_of, writer


def written(folder: Path, run: Record) -> Record:
    """The record, written and read again."""
    made = writer(folder, **content_of(run))
    made.add(results=[result for result in run.results if isinstance(result, Measurement)])
    made.finish(0, "2026-01-01T01:00:00+00:00")
    return read(folder)


def test_records_on_disk_are_compared(tmp_path: Path) -> None:
    runs = [written(tmp_path / str(n), run) for n, run in enumerate(scattered(7))]
    terms = Terms(planned=1, margins={"stiffness.open_loop": Detect(percent=10.0)})
    (difference,) = compare(baseline_of(runs[:6]), runs[6:], terms)
    assert difference.name == STIFFNESS and difference.finding is Finding.EQUIVALENT
    assert [entry.name for entry in series_of(runs)] == [STIFFNESS]
