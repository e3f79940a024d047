"""Holding stiffness, open and closed loop, on each motor of the rig, the other off."""

from __future__ import annotations

import pytest

from harness.checks.judged import raise_unless_good
from harness.nouns.results import Verdict

CHECK = "stiffness"

pytestmark = pytest.mark.bench


def test_stiffness(quantity: str, verdicts: list[Verdict]) -> None:
    """One planned quantity: agrees with its model and conforms to its requirement."""
    raise_unless_good(quantity, verdicts)
