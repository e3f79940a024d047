"""The store: every run kept for good, in one SQLite file or a laboratory's PostgreSQL.

The names of this module are loaded when first asked for: only whoever opens a store pays for the database library.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.store.address import Address
    from harness.store.store import Store, StoredRun, Value

__all__ = ["Address", "Store", "StoredRun", "Value"]

_HOMES = dict.fromkeys(("Store", "StoredRun", "Value"), "harness.store.store") | {"Address": "harness.store.address"}


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
