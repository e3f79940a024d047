"""The validation's own ways: a kept case, a folder of other sources, a sample that still says the same."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import validate
from tests.bench.cases import Case, Cases, OtherBench, Run
from tests.results import Results

CASE = Case(seed=1, faults=("crossed-leads",), only=("commutation",))


@pytest.mark.board
@pytest.mark.slow
def test_a_kept_case_says_what_it_said_when_it_was_measured(tmp_path: Path) -> None:
    (measured,) = Cases(tmp_path, 1).run_all([CASE])
    assert measured.names(validate.CAUSES["crossed-leads"])
    (kept,) = Cases(tmp_path, 1).run_all([CASE])
    assert kept.agrees_with(measured)
    assert validate.digest([kept]) == validate.digest([measured])


def test_runs_of_other_sources_are_not_taken_for_todays(tmp_path: Path) -> None:
    Cases(tmp_path, 1)
    (tmp_path / "measured-by").write_text("0123", encoding="utf-8")
    with pytest.raises(
        OtherBench, match=r"expected runs measured by the sources of today \(\w+\), found those of 0123"
    ):
        Cases(tmp_path, 1)


class Told(Cases):
    """Cases whose runs are known beforehand."""

    def __init__(self, value: float) -> None:
        self.value = value

    def run_all(self, cases):
        return [
            Run(key=case.key, exit_code=0, measured={"leaf.step.delay": (self.value, 1e-4, 0.0, 1.0)}) for case in cases
        ]


def test_results_are_renewed_only_where_a_sample_says_the_same(tmp_path: Path, monkeypatch) -> None:
    (tmp_path / "rule.py").write_text("FACTOR = 2.0\n", encoding="utf-8")
    results = Results(title="", place="RESULTS.md", command="", inputs=("rule.py",), root=tmp_path)
    monkeypatch.setattr(validate, "RESULTS", results)
    results.write(f"Sample: `{validate.digest(Told(1.0).run_all(validate.SAMPLE))}`")
    (tmp_path / "rule.py").write_text("FACTOR = 4.0 / 2.0\n", encoding="utf-8")
    assert not validate.unchanged(Told(1.001))
    assert results.stale != ""
    assert validate.unchanged(Told(1.0 + 1e-9))
    assert results.stale == ""
