"""Both motors holding at once."""

from __future__ import annotations

import pytest

from harness.checks.judged import raise_unless_good
from harness.nouns.results import Verdict

CHECK = "together"

pytestmark = pytest.mark.bench


def test_together(quantity: str, verdicts: list[Verdict]) -> None:
    """One planned quantity: agrees with its model and conforms to its requirement."""
    raise_unless_good(quantity, verdicts)
