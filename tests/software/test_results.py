"""Results that scripts wrote tell of the sources of today."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import pytest

from tests.results import ROOT, Results

SIMULATIONS = sorted(ROOT.glob("tests/software/*/simulation.py"))
SCRIPTS = [
    "tests.bench.validate",
    "tests.bench.readme",
    "tests.bench.breaks",
    "tests.bench.slips",
    "tests.reference.breaks",
    *(f"tests.software.{path.parent.name}.simulation" for path in SIMULATIONS),
]


@pytest.mark.parametrize("script", SCRIPTS)
def test_results_are_of_the_sources_of_today(script: str) -> None:
    results = import_module(script).RESULTS
    assert script.replace(".", "/") in results.command or script in results.command
    assert results.stale == ""


@pytest.fixture
def results(tmp_path: Path) -> Results:
    (tmp_path / "room").mkdir()
    (tmp_path / "room" / "rule.py").write_text('"""Rule."""\n\nFACTOR = 2.0  # from a book\n', encoding="utf-8")
    (tmp_path / "rig.toml").write_text("mass_kg = 0.2\n", encoding="utf-8")
    made = Results(title="Rates", place="RESULTS.md", command="make", inputs=("room", "rig.toml"), root=tmp_path)
    made.write("1 of 100")
    return made


def test_results_are_current_when_written(results: Results) -> None:
    text = (results.root / "RESULTS.md").read_text(encoding="utf-8")
    assert text.startswith("# Rates\n\nWritten by `make` on 20") and text.endswith("1 of 100\n")
    assert results.stale == ""


@pytest.mark.parametrize(
    ("file", "text", "still"),
    [
        ("room/rule.py", '"""The rule\n\nin other words."""\n\n\nFACTOR = 2.0  # from a standard\n', True),
        ("room/rule.py", '"""Rule."""\n\nFACTOR = 2.1  # from a book\n', False),
        ("rig.toml", "mass_kg = 0.3\n", False),
        ("rig.toml", "# weighed\nmass_kg = 0.2  # with its screw\n", True),
        ("room/other.py", "MORE = 1\n", False),
        ("room/notes.md", "of no number", True),
    ],
)
def test_what_can_change_a_number_makes_results_stale(results: Results, file: str, text: str, still: bool) -> None:
    (results.root / file).write_text(text, encoding="utf-8")
    assert (results.stale == "") is still
    assert still or "write them by: make" in results.stale


def test_results_that_come_out_the_same_are_renewed(results: Results) -> None:
    (results.root / "rig.toml").write_text("mass_kg = 0.2\nlength_m = 0.1\n", encoding="utf-8")
    assert results.stale != ""
    results.renew()
    assert results.stale == ""
    assert (results.root / "RESULTS.md").read_text(encoding="utf-8").endswith("1 of 100\n")


def test_results_by_hand_are_stale(results: Results) -> None:
    (results.root / "RESULTS.md").write_text("# Rates\n\n0 of 100\n", encoding="utf-8")
    assert "found those of none" in results.stale
    (results.root / "RESULTS.md").unlink()
    assert "found no file" in results.stale


def test_an_input_that_is_gone_is_an_error(results: Results) -> None:
    (results.root / "rig.toml").unlink()
    with pytest.raises(FileNotFoundError, match=r"rig\.toml: expected a source of results, found none"):
        results.fingerprint  # noqa: B018
