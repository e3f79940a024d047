"""Every quantity of a store over its firmware versions: gathered from the store, drawn as one page."""

from harness.history.entries import entry
from harness.history.page import render
from harness.history.runs import StoreHistory, read_history

__all__ = ["StoreHistory", "entry", "read_history", "render"]
