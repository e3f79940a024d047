"""The shipped checks: every planned quantity of every motor of the rig, in the order of the bench, a case each."""

from __future__ import annotations

import pytest

from harness.checks.judged import raise_unless_good
from harness.nouns.results import Verdict

pytestmark = pytest.mark.bench


def test_quantity(quantity: str, verdicts: list[Verdict]) -> None:
    """Agrees with its model and conforms to its requirement."""
    raise_unless_good(quantity, verdicts)
