"""Which model predicts the quantities of which check. The only place where a check's name meets a model."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from harness.base.errors import UsageError
from harness.nouns.results import Expectation

if TYPE_CHECKING:
    from harness.nouns.contract import Declared
    from harness.rigfile import RigSpec

MODELS = {
    "commutation": "harness.checks.commutation.model",
    "stiffness": "harness.checks.stiffness.model",
    "step": "harness.checks.step.model",
    "thermal": "harness.checks.thermal.model",
    "together": "harness.checks.together.model",
}
"""Imported when asked for, so that a command that judges nothing loads no numerics."""


def expect(check: str, spec: RigSpec, declared: Declared, motor: str) -> list[Expectation]:
    """What the rig file lets the models predict for one check on one motor.

    `motor` is a motor's name, or `together` for the check that runs both. Names in the answer are full
    (`gate.stiffness.open_loop`). An input the rig file lacks gives an expectation that says what it needs.
    Raises UsageError for an unknown check.
    """
    if check not in MODELS:
        raise UsageError(f"check {check}: unknown; there are {', '.join(sorted(MODELS))}")
    predictions: list[Expectation] = import_module(MODELS[check]).expect(spec, declared, motor)
    return predictions
