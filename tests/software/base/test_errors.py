"""Exit codes: which of several goes first, wherever several meet."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.base.errors import PRECEDENCE, ExitCode
from harness.command.inspect import Inspection
from harness.command.main import build_parser

ROOT = Path(__file__).resolve().parents[3]
ORDER = (ExitCode.USAGE, ExitCode.DEFECT, ExitCode.BENCH, ExitCode.DIFFERS, ExitCode.UNDECIDED, ExitCode.AGREES)
"""As README promises it: 4, 5, 3, 1, 2, 0."""


@given(st.lists(st.sampled_from(ExitCode)))
def test_of_several_exit_codes_the_first_by_precedence_counts(codes: list[ExitCode]) -> None:
    expected = next((code for code in ORDER if code in codes), ExitCode.UNDECIDED)
    assert ExitCode.first_of(codes) is expected
    assert ExitCode.first_of(reversed(codes)) is expected


def test_the_precedence_is_that_of_the_readme_and_of_the_help() -> None:
    assert PRECEDENCE == ORDER
    words = f"first of {', '.join(str(int(code)) for code in ORDER)}"
    assert words in (ROOT / "README.md").read_text(encoding="utf-8")
    assert words in str(build_parser().epilog)


@pytest.mark.parametrize("code", ExitCode)
def test_no_run_follows_one_that_ended_with_wrong_use_a_defect_or_trouble_of_the_bench(code: ExitCode) -> None:
    assert code.ends_row is (int(code) in (3, 4, 5))


@given(st.lists(st.sampled_from([code for code in ExitCode if code]), min_size=1))
def test_inspect_orders_what_it_found_like_everybody_else(codes: list[ExitCode]) -> None:
    found = Inspection()
    for code in codes:
        found.bad("something", code)
    assert found.code is next(code for code in ORDER if code in codes)
