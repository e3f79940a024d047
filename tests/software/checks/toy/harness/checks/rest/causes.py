"""What causes do to the place where an arm rests."""

from __future__ import annotations

from collections.abc import Mapping

from harness.nouns.effects import Cause, Effects, Shift

CAUSES: tuple[Cause, ...] = ()

EFFECTS: Mapping[str, Effects] = {"arm turned": {"place": Shift(1.0)}}
"""On quantities of this check, of causes that another one shows first."""
