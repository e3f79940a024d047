"""Every quantity of a store over its firmware versions: gathered from the store, drawn as one page."""

from harness.history.entries import entry
from harness.history.gather import History, gather
from harness.history.page import render

__all__ = ["History", "entry", "gather", "render"]
