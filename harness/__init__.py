"""Qualifies brushless motor controllers on a bench: measured behaviour against modelled expectation.

The names of this module are the public ones; each is loaded when first asked for, so that importing costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.judge.verdict import agrees
    from harness.nouns.quantity import Quantity
    from harness.nouns.results import Detect, Expectation, Measurement, Outcome, Verdict
    from harness.record import Record, read
    from harness.rigfile import RigSpec, load

__all__ = [
    "Detect", "Expectation", "Measurement", "Outcome", "Quantity", "Record", "RigSpec", "Verdict",
    "agrees", "load", "read",
]  # fmt: skip

_HOMES = {
    "Detect": "harness.nouns.results", "Expectation": "harness.nouns.results", "Measurement": "harness.nouns.results",
    "Outcome": "harness.nouns.results", "Quantity": "harness.nouns.quantity", "Record": "harness.record",
    "RigSpec": "harness.rigfile", "Verdict": "harness.nouns.results", "agrees": "harness.judge.verdict",
    "load": "harness.rigfile", "read": "harness.record",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
