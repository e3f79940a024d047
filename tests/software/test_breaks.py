"""That breaks are planted as they say. Whether the tests see each takes minutes, and stands in the results."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import breaks as bench
from tests.breaks import ROOT, Break, Copy
from tests.reference import breaks as reference


@pytest.mark.parametrize("planted", [*reference.BREAKS, *bench.BREAKS], ids=lambda each: each.words)
def test_a_break_has_one_place_and_leaves_a_module(planted: Break) -> None:
    source = (ROOT / planted.file).read_text(encoding="utf-8")
    compile(planted.planted(source), planted.file, "exec")


def test_a_break_turns_the_tests_red_and_is_gone_afterwards(tmp_path: Path) -> None:
    (tmp_path / "rule.py").write_text("FACTOR = 2.0\n", encoding="utf-8")
    (tmp_path / "test_rule.py").write_text("import rule\n\n\ndef test_it():\n    assert rule.FACTOR == 2.0\n")
    copy = Copy(tmp_path, ("test_rule.py",))
    wrong = Break(words="a wrong factor", file="rule.py", right="2.0", wrong="3.0")
    with copy.broken(wrong):
        assert copy.run()[0] == "test_rule.py::test_it"
    assert copy.run()[0] == ""
    for places in ("2", "FACTORS"):
        with pytest.raises(ValueError, match=r"rule\.py: expected once, found"):
            Break(words="no place", file="rule.py", right=places, wrong="").planted("2 and 2")


def test_tests_that_cannot_run_are_an_error(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="the tests did not run"):
        Copy(tmp_path, ("nothing.py",)).run()
