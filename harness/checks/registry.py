"""The registry of checks: every folder of this room that holds a `check.py`. For who runs checks; it loads numerics.

Together with `catalogue` the only place where something is imported by name, so that no list has to be edited.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import Any

from harness.base.errors import UsageError
from harness.checks.catalogue import CHECK_NAMES
from harness.checks.definition import Check


@cache
def check_named(name: str) -> Check[Any]:
    """A check by its name, loaded when first asked for. Raises UsageError for one that there is not."""
    if name not in CHECK_NAMES:
        raise UsageError(f"check {name}: unknown; there are {', '.join(CHECK_NAMES)}")
    check: Check[Any] = import_module(f"harness.checks.{name}.check").CHECK
    return check
