"""`rotorgate study KIND`: what several runs together say."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.show.terminal import Terminal


def study(arguments: argparse.Namespace) -> int:
    """Make the study that was asked for. Raises UsageError, RecordError, StoreError, StoreUnavailable."""
    from harness.command.capability import capability
    from harness.command.gauge import gauge
    from harness.show.terminal import Terminal

    kinds: dict[str, Callable[[argparse.Namespace, Terminal], int]] = {"gauge": gauge, "capability": capability}
    return kinds[arguments.kind](arguments, Terminal(quiet=arguments.quiet, json=arguments.json))
