"""That every published value is compared, or its case says why not."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from pathlib import Path

import pytest

from tests.reference.cases import TESTS, Case, cases, compare


def computed_names() -> Mapping[str, set[str]]:
    """By case: every name that a test of it computes."""
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        import_module(f"tests.reference.{path.stem}")
    return {case_id: {name for each in tests for name in each()} for case_id, tests in TESTS.items()}


def test_every_value_is_compared_or_its_case_says_why_not() -> None:
    computed = computed_names()
    assert set(computed) <= set(cases())
    for case_id, case in cases().items():
        names, left_out = computed.get(case_id, set()), set(case.left_out)
        assert names | left_out == set(case.expect), case_id
        assert not names & left_out, f"{case_id}: compared after all"
        assert (case_id in computed) != bool(case.not_compared), f"{case_id}: a test of it, or a reason for the whole"


def test_a_wrong_value_is_seen() -> None:
    case = Case(family="x", id="x", source="x", input={}, expect={})
    compare(case, {"name": "n", "value": 1.0, "abs": 0.1}, 1.05)
    with pytest.raises(AssertionError, match=r"expected 1\.0, computed 1\.2"):
        compare(case, {"name": "n", "value": 1.0, "abs": 0.1}, 1.2)
    with pytest.raises(AssertionError):
        compare(case, {"name": "n", "value": [1.0, 2.0], "rel": 0.1}, [1.0])
    with pytest.raises(AssertionError):
        compare(case, {"name": "n", "value": "A"}, "B")
